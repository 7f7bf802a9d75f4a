"""What a region decision hands on: where tools are, on the working picture.

`RegionEvidence` is the seam between *deciding* (classical, or a learned model) and *measuring*
(separation of tools, edges at full resolution), which is common to both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.components import Labels
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["RegionEvidence", "decision_doubt"]

SMOOTH_CELLS = 1.0


@dataclass(frozen=True, eq=False)
class RegionEvidence:
    """Per cell of a raster: how likely it is tool.

    Attributes
    ----------
    raster
        Where the cells lie on the sheet.
    tool
        (rows, columns) float32, 0 to 1: the cell belongs to a tool. 0.5 is the decision level.
    border
        (rows, columns) float32, 0 to 1: the cell lies on a border between two tools or between
        tool and ground; all zero where nothing is known of it.
    domain
        (rows, columns) True where the sheet (or a tool on it) is seen: no card, not beyond the
        sheet's edge, inside the photo. Nothing is a tool outside.
    shadow
        (rows, columns) True where ground was recognised as lying in shadow; for pictures and
        confidence only.
    instances
        (rows, columns) number of each tool or cable where the decision has parted them already,
        0 elsewhere; None where parting is still to be done.
    cables
        The numbers among ``instances`` that are cables.
    fine
        (2 rows, 2 columns) as ``tool``, per quarter of a cell; None where the decision is no finer
        than the cells.
    """

    raster: Raster
    tool: Image
    border: Image
    domain: Mask
    shadow: Mask
    instances: Labels | None = None
    cables: frozenset[int] = frozenset()
    fine: Image | None = None


def decision_doubt(
    evidence: RegionEvidence,
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Blur of the decision's border, as a function from sheet points (N, 2) to (N,) mm.

    A border of likelihood that is a step blurred by a Gaussian of deviation S has the slope
    1 / (S sqrt(2 pi)) at its middle. What the smoothing here adds is taken off.
    """
    smooth = cv2.GaussianBlur(evidence.tool, (0, 0), SMOOTH_CELLS)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    slope = cv2.magnitude(across, down)

    def doubt(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        at = evidence.raster.to_cells(points_mm).astype(np.float32)
        here = cv2.remap(
            slope, at[:, :1].copy(), at[:, 1:].copy(), cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE
        )
        blur = 1 / (np.sqrt(2 * np.pi) * np.maximum(here.ravel().astype(np.float64), 0.02))
        # a cell's own width blurs every decision a little: variance 1/12, and 1/6 for sampling
        excess = np.maximum(blur**2 - SMOOTH_CELLS**2 - 0.25, 0.0)
        return np.asarray(np.sqrt(excess) * evidence.raster.mm_per_cell, np.float64)

    return doubt
