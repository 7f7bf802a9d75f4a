"""Several photos: heights and outlines solved together, with nothing typed.

In: silhouettes of each photo, views. Out: outlines, heights, uncertainty, findings.
May import: shared.
"""
