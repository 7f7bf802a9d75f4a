"""The photo laid on the sheet at a fixed scale, and what is said about its cells.

In: pixels and a `PlaneMap`. Out: a raster, masks, `RegionEvidence`.
May import: nothing of this room.
"""
