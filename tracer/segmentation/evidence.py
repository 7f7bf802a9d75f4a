"""What a region decision hands on: where tools are, on the working picture.

`RegionEvidence` is the seam between *deciding* (classical, or a learned model) and *measuring*
(separation of tools, edges at full resolution), which is common to both.
"""

from __future__ import annotations

from dataclasses import dataclass

from tracer.segmentation.components import Labels
from tracer.segmentation.raster import Image, Mask, Raster

__all__ = ["RegionEvidence"]


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
    """

    raster: Raster
    tool: Image
    border: Image
    domain: Mask
    shadow: Mask
    instances: Labels | None = None
    cables: frozenset[int] = frozenset()
