"""The desk: a page on this computer to look, type heights, mend outlines and export.

``server`` binds and runs; ``gate`` lets in only who was invited (phones by ``links``, after wrong
codes with ``patience``); ``deadlines`` ends connections that dawdle; ``routes`` and
``phone_routes`` turn requests into calls of workflows; ``jobs`` knows the jobs, ``drafts`` and
``incoming`` the photos that are not traced yet; ``runs`` is the one thread that computes;
``events`` tells every open page; ``view`` says what a page shows. The pages are in ``static/``.
"""
