"""Many lays in one go: orders in, job folders and one table out.

In: a manifest or a folder of lays (`manifest`). Out: the usual job folders, ``results.csv`` and a
sheet of pictures (`table`, `contact_sheet`). May import the workflows; nothing but the command
line imports it.
"""
