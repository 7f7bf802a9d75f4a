"""What passes between the stages: frozen values, numpy and shapely only.

Frames (suffixes) used throughout the package:

``_px``
    Pixels of the *upright* photo. (0, 0) is the centre of the upper left pixel, x right, y down.
``card_mm``
    A scale card's own frame: upper left corner of its board, x right, y *down* as printed.
``cam_mm``
    Camera: optical centre, x right, y down, z forward.
``_mm``
    The sheet: the plane on which the cards lie is z = 0, x right, y up, z towards the camera,
    right-handed. Origin and x axis come from the lowest-numbered card: its board's lower left
    corner and its long side. Of a flatbed scan the sheet is the glass as seen from *above*, z up
    from it, though the scanner looks from below (`tracer.model.scan_map`).

Outer rings run counter-clockwise, holes clockwise. Angles are counter-clockwise, in radians
inside and degrees where a person reads them. Lengths are millimetres, masses kilograms.
"""
