"""Which cells are tool: by the shipped network or by a fitted sheet model.

In: the raster. Out: `RegionEvidence`.
May import: working_picture.
"""
