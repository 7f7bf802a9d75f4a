"""A photo of a finished panel to what stands in its pockets.

`tracer.inspection.panel_sight` finds where the panel stands in the photo (by printed corner marks,
or by the pattern of its own drawing) and says when it is not sure; `tracer.inspection.judge` says
of each pocket what is in it, with probabilities.
"""
