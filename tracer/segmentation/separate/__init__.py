"""One region per tool: pieces joined, touching tools split, what is left out named.

In: `RegionEvidence`. Out: regions on the raster.
May import: working_picture.
"""
