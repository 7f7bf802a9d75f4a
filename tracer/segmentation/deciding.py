"""Which cells are tool: by the shipped network, by a fitted sheet model, or by what suits best."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.model.report import Check, Severity
from tracer.model.view import PlaneMap
from tracer.segmentation.answers import Answers, load_network
from tracer.segmentation.evidence import RegionEvidence
from tracer.segmentation.learned import CARD_RIM_MM, learned_regions
from tracer.segmentation.options import Way
from tracer.segmentation.raster import Image, Mask, Raster, paint, rectify_srgb
from tracer.segmentation.sheet import CORE_MM, FLOOR, fit_sheet, sheet_extent

__all__ = ["decide"]


def decide(
    pixels: NDArray[np.uint8],
    linear: Image,
    seen: Mask,
    raster: Raster,
    plane: PlaneMap,
    *,
    cards: Sequence[Polygon],
    hull: Polygon | None,
    way: Way,
    progress: Callable[[float], None] | None = None,
) -> tuple[RegionEvidence, Answers | None, list[Check]]:
    """Decide the regions of one photo.

    Parameters
    ----------
    pixels
        The photo itself.
    linear, seen
        The photo on the raster (`rectify`).

    Returns
    -------
    evidence
        Tool or ground per cell.
    answers
        The network's own answers; None without it.
    checks
        What stood in the way of the learned model.

    Raises
    ------
    TracerError
        ``model-damaged``, with `Way.LEARNED` alone; `Way.AUTO` goes the classical way then.
    """
    checks: list[Check] = []
    if way is not Way.CLASSICAL:
        try:
            network = load_network()
        except TracerError as error:
            if way is Way.LEARNED:
                raise
            checks.append(
                Check("model-damaged", Severity.WARN, error.sentence, "Install tracer again.")
            )
        else:
            core = paint([hull.buffer(CORE_MM)], raster) & seen if hull is not None else seen
            paper = paint([c.buffer(CARD_RIM_MM) for c in cards], raster)
            sheet = fit_sheet(np.log(linear + FLOOR), core, seen & ~paper, raster.mm_per_cell)
            regions = learned_regions(
                rectify_srgb(pixels, plane, raster.quartered()),
                seen,
                raster,
                plane,
                cards=cards,
                sheet=sheet_extent(sheet.certain, core, raster.mm_per_cell),
                network=network,
                progress=progress,
            )
            return regions.evidence, regions.answers, checks
    # graph cuts and watersheds take a while to load, and are seldom asked for
    from tracer.segmentation.classical import classical_evidence

    return classical_evidence(linear, seen, raster, cards=cards, hull=hull), None, checks
