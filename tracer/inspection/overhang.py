"""Whether what lies in a pocket reaches over its edge onto the face, where its own tool would not.

A tool that is put where it does not fit rests on the face and covers some of it. Thinner than the
drawing is sure to lie it cannot be told from the blur of an edge.
"""

from __future__ import annotations

from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.inspection.cells import STEP_MM, PocketCells
from tracer.inspection.light import split
from tracer.inspection.looks import not_face

__all__ = ["OverEdge", "over_edge"]

Mask = NDArray[np.bool_]

#: what reaches over a pocket's edge is the tool where this share of the pocket looks like it, in
#: tone and in brightness (logarithms)
SAME_SHARE, SAME_TONE, SAME_BRIGHT = 0.2, 0.3, 0.8
#: so far along the edge it reaches over it, and so much wider than the blur of an edge it is
LEAST_OVER_MM, LEAST_THICK = 12.0, 1.7
#: a tool that overhangs ends within this of the pocket; things in front go on
NEAR_END_MM = 12.0


class OverEdge(Enum):
    """What of a pocket's content reaches over its edge onto the face: nothing, a lip, or more."""

    NOT = "not"
    ENDS = "ends"
    GOES_ON = "goes on"


def over_edge(read: PocketCells, tone_sigma: float) -> OverEdge:
    """Whether what lies in a pocket reaches over its edge onto the face, where its tool would not.

    Only what has the colour of a good part of what is seen in the pocket counts. A cable or a hand
    in front may, too; but that goes on, where a tool that lies wrongly ends.
    """
    cells, seen = read.cells, np.isfinite(read.unlike)
    other = seen & not_face(read, tone_sigma)[0]
    parts = cv2.connectedComponents((cells.edge & other).astype(np.uint8), connectivity=4)[1]
    wide = cv2.connectedComponents(
        ((cells.edge | cells.ring) & other).astype(np.uint8), connectivity=4
    )[1]
    off = cv2.distanceTransform((~cells.opening).astype(np.uint8), cv2.DIST_L2, 5) * STEP_MM
    tool, found = read.log_rgb[cells.tool & seen], OverEdge.NOT
    for number in np.unique(parts[cells.brink & other]):
        part: Mask = parts == number
        along = int((part & cells.brink).sum())
        if number == 0 or along * STEP_MM < LEAST_OVER_MM or part.sum() < LEAST_THICK * along:
            continue
        tone, bright = split(tool - np.median(read.log_rgb[part], axis=0))
        alike = (np.linalg.norm(tone, axis=1) < SAME_TONE) & (np.abs(bright) < SAME_BRIGHT)
        if not len(alike) or alike.mean() < SAME_SHARE:
            continue
        if off[np.isin(wide, np.unique(wide[part]))].max() <= NEAR_END_MM:
            return OverEdge.ENDS
        found = OverEdge.GOES_ON
    return found
