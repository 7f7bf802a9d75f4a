"""Which cells are tool: by the shipped network, by a fitted sheet model, or by what suits best."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.model.report import Check, Severity
from tracer.model.view import PlaneMap
from tracer.segmentation.decide.answers import MULTIPLE, Answers, load_network
from tracer.segmentation.decide.learned import learned_regions
from tracer.segmentation.decide.sheet import CARD_RIM_MM, CORE_MM, FLOOR
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.extent import Extent, find_extent
from tracer.segmentation.working_picture.options import Way
from tracer.segmentation.working_picture.raster import Image, Mask, Raster, paint, rectify_srgb

__all__ = ["Decision", "decide", "with_surroundings"]


@dataclass(frozen=True, eq=False)
class Decision:
    """The regions of one photo.

    Attributes
    ----------
    evidence
        Tool or ground per cell, of as much of the raster as holds the sheet.
    seen
        Cells that the photo covers, as many as the evidence has.
    answers
        The network's own answers; None without it.
    checks
        What stood in the way of the learned model.
    raster, extent
        The whole raster, and how far the sheet goes on it; None the classical way.
    unsure
        Cells of pieces that the model nowhere is sure of, as many as the evidence has.
    """

    evidence: RegionEvidence
    seen: Mask
    answers: Answers | None
    checks: tuple[Check, ...]
    raster: Raster
    extent: Extent | None = None
    unsure: Mask | None = None


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
) -> Decision:
    """Decide the regions of one photo.

    Parameters
    ----------
    pixels
        The photo itself.
    linear, seen
        The photo on the raster (`rectify`).

    Raises
    ------
    TracerError
        ``model-damaged``, with `Way.LEARNED` alone; `Way.AUTO` goes the classical way then.
    """
    checks: tuple[Check, ...] = ()
    if way is not Way.CLASSICAL:
        try:
            network = load_network()
        except TracerError as error:
            if way is Way.LEARNED:
                raise
            checks = (
                Check("model-damaged", Severity.WARN, error.sentence, "Install tracer again."),
            )
        else:
            core = paint([hull.buffer(CORE_MM)], raster) & seen if hull is not None else seen
            allowed = seen & ~paint([c.buffer(CARD_RIM_MM) for c in cards], raster)
            mm = raster.mm_per_cell
            log = np.log(linear + FLOOR)
            extent = find_extent(log, core, allowed, mm)
            domain = allowed & ~extent.beyond
            window = with_surroundings(domain & (core | extent.eventful))
            part = raster.window(*window)
            regions = learned_regions(
                rectify_srgb(pixels, plane, part.quartered()),
                domain[window],
                part,
                plane,
                log=log[window],
                network=network,
                progress=progress,
            )
            return Decision(
                regions.evidence, seen[window], regions.answers, (), raster, extent, regions.unsure
            )
    # graph cuts and watersheds take a while to load, and are seldom asked for
    from tracer.segmentation.decide.classical import classical_evidence

    evidence = classical_evidence(linear, seen, raster, cards=cards, hull=hull)
    return Decision(evidence, seen, None, checks, raster)


def with_surroundings(domain: Mask) -> tuple[slice, slice]:
    """Window of the cells where something may lie and of those within 32 to 63 cells of them.

    What lies around them tells the network little, and farther away nothing. The window
    starts at multiples of `MULTIPLE`, so that the network halves the same cells as without it.
    """
    window = []
    for axis, size in enumerate(domain.shape):
        found = np.flatnonzero(domain.any(1 - axis))
        first, last = (int(found[0]), int(found[-1])) if len(found) else (0, size - 1)
        start = max(first // MULTIPLE - 1, 0) * MULTIPLE
        window.append(slice(start, min(last + 1 + MULTIPLE, size)))
    rows, cols = window
    return rows, cols
