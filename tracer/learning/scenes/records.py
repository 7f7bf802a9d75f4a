"""The renderer's records as numpy types, in the layout of ``records.h``."""

from __future__ import annotations

import numpy as np

__all__ = [
    "CARD",
    "DECAL",
    "DECALS",
    "GROUND",
    "LIGHT",
    "MATERIAL",
    "PATCH",
    "PRIM",
    "SCENE",
    "TOOL",
]

F, N = np.float32, np.int32

#: One distance function: type, how it joins the ones before, material, corners, smooth radius,
#: tool frame to its own frame (3 x 4), parameters.
PRIM = np.dtype(
    [("type", N), ("op", N), ("mat", N), ("n", N), ("k", F), ("m", F, 12), ("p", F, 16)]
)
#: One thing on the sheet: primitives, kind (0 tool, 1 cable, 2 clutter), the share of light that
#: its shadow lets through, place, box, height, whether it has a thread (the renderer finds out).
TOOL = np.dtype(
    [
        ("first", N),
        ("count", N),
        ("kind", N),
        ("clear", F),
        ("ox", F),
        ("oy", F),
        ("c", F),
        ("s", F),
        ("lo", F, 3),
        ("hi", F, 3),
        ("height", F),
        ("threaded", N),
    ]
)
MATERIAL = np.dtype(
    [
        ("a", F, 3),
        ("b", F, 3),
        ("metal", F),
        ("rough", F),
        ("f0", F),
        ("pattern", N),
        ("q", F, 6),
        ("bump", F),
        ("bump_mm", F),
        ("bump_kind", N),
        ("clear", F),
    ]
)
LIGHT = np.dtype([("pos", F, 3), ("col", F, 3), ("radius", F)])
PATCH = np.dtype([("dir", F, 3), ("u", F, 3), ("col", F, 3), ("hu", F), ("hv", F)])
GROUND = np.dtype(
    [
        ("kind", N),
        ("a", F, 3),
        ("b", F, 3),
        ("c", F, 3),
        ("s", F, 8),
        ("gloss", F),
        ("metal", F),
        ("fold", F),
        ("fold_mm", F),
        ("relief", F),
        ("relief_mm", F),
    ]
)
CARD = np.dtype([("number", N), ("x", F), ("y", F), ("c", F), ("s", F)])
#: Something flat on the sheet: kind, place, half lengths, colour, parameters, how opaque it is.
DECAL = np.dtype(
    [
        ("kind", N),
        ("x", F),
        ("y", F),
        ("c", F),
        ("s", F),
        ("a", F),
        ("b", F),
        ("col", F, 3),
        ("q", F, 3),
        ("strength", F),
    ]
)
DECALS = 14  # the most on one sheet
SCENE = np.dtype(
    [
        ("cam", F, 3),
        ("x0", F),
        ("y0", F),
        ("step", F),
        ("size", N),
        ("seed", N),
        ("first_tool", N),
        ("n_tools", N),
        ("n_lights", N),
        ("n_patches", N),
        ("n_cards", N),
        ("first_mat", N),
        ("n_decals", N),
        ("zenith", F, 3),
        ("horizon", F, 3),
        ("below", F, 3),
        ("edge", F, 3),
        ("edge2", F, 3),
        ("edge_mm", F),
        ("edge_shade", F),
        ("throws", F),
        ("light", LIGHT, 6),
        ("patch", PATCH, 8),
        ("ground", GROUND, 2),
        ("card", CARD, 4),
        ("decal", DECAL, DECALS),
    ]
)
