"""What one view and many views share: edge height models, uncertainty of an edge.

In: edge model, ray. Out: heights and standard deviations in mm.
May import: nothing of this room.
"""
