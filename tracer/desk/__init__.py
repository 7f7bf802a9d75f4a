"""The desk: a page on this computer to look, type heights, mend outlines and export.

``server`` binds and runs; ``gate`` lets in only who was invited; ``routes`` turns requests into
calls of workflows; ``desk`` knows the jobs; ``runs`` is the one thread that computes; ``events``
tells every open page; ``view`` says what a page shows. The page itself is in ``static/``.
"""
