"""Which cells are tool: by the shipped network, by a fitted sheet model, or by what suits best."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.model.report import Check, Severity
from tracer.model.view import View
from tracer.segmentation.decide.answers import Answers, load_network
from tracer.segmentation.decide.company import Witness
from tracer.segmentation.decide.joint import Joint, load_joint_networks
from tracer.segmentation.decide.learned import camera_offset, learned_regions
from tracer.segmentation.decide.plain_ground import by_plain_ground
from tracer.segmentation.decide.sheet import CARD_RIM_MM, CORE_MM, FLOOR
from tracer.segmentation.decide.tiling import MULTIPLE
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.extent import Extent, find_extent
from tracer.segmentation.working_picture.options import Way
from tracer.segmentation.working_picture.raster import (
    Image,
    Mask,
    Raster,
    WorkingPicture,
    paint,
    rectify_srgb,
)

__all__ = ["Company", "Decision", "decide", "with_surroundings", "witness_of"]


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


@dataclass(frozen=True, eq=False)
class Company:
    """The others of a lay, for one of its photos: its own features and theirs."""

    own: Witness
    others: Sequence[Witness]


@dataclass(frozen=True, eq=False)
class _Outlook:
    """Where on the working picture something may lie, and what the networks see there."""

    extent: Extent
    domain: Mask
    window: tuple[slice, slice]
    part: Raster
    log: Image
    picture: NDArray[np.uint8]


def _outlook(photo: WorkingPicture, cards: Sequence[Polygon], hull: Polygon | None) -> _Outlook:
    raster, seen = photo.raster, photo.seen
    core = paint([hull.buffer(CORE_MM)], raster) & seen if hull is not None else seen
    allowed = seen & ~paint([c.buffer(CARD_RIM_MM) for c in cards], raster)
    log = np.log(photo.linear + FLOOR)
    extent = find_extent(log, core, allowed, raster.mm_per_cell)
    domain = allowed & ~extent.beyond
    window = with_surroundings(domain & (core | extent.eventful))
    part = raster.window(*window)
    picture = rectify_srgb(photo.pixels, photo.plane, part.quartered())
    return _Outlook(extent, domain, window, part, log, picture)


def decide(
    photo: WorkingPicture,
    *,
    cards: Sequence[Polygon],
    hull: Polygon | None,
    way: Way,
    company: Company | None = None,
    plain_ground: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Decision:
    """Decide the regions of one photo.

    Parameters
    ----------
    photo
        The photo, and the same on the sheet.
    company
        The other photos of the lay, to decide with them.
    plain_ground
        The ground is a scanner's lid, and what looks like it is it.

    Raises
    ------
    TracerError
        ``model-damaged``, with `Way.LEARNED` alone; `Way.AUTO` goes the classical way then.
    """
    checks: tuple[Check, ...] = ()
    if way is not Way.CLASSICAL:
        try:
            network = (
                load_network()
                if company is None
                else Joint(load_joint_networks(), company.own, company.others)
            )
        except TracerError as error:
            if way is Way.LEARNED:
                raise
            checks = (
                Check("model-damaged", Severity.WARN, error.sentence, "Install tracer again."),
            )
        else:
            look = _outlook(photo, cards, hull)
            regions = learned_regions(
                look.picture,
                look.domain[look.window],
                look.part,
                photo.plane,
                log=look.log[look.window],
                network=network,
                progress=progress,
            )
            evidence, answers = regions.evidence, regions.answers
            if plain_ground:
                log = look.log[look.window]
                evidence, answers = by_plain_ground(evidence, answers, log)
            return Decision(
                evidence,
                photo.seen[look.window],
                answers,
                (),
                photo.raster,
                look.extent,
                regions.unsure,
            )
    # graph cuts and watersheds take a while to load, and are seldom asked for
    from tracer.segmentation.decide.classical import classical_evidence

    evidence = classical_evidence(photo.linear, photo.seen, photo.raster, cards=cards, hull=hull)
    return Decision(evidence, photo.seen, None, checks, photo.raster)


def witness_of(
    photo: WorkingPicture, view: View, *, cards: Sequence[Polygon], hull: Polygon | None
) -> Witness | None:
    """What one photo can tell the others of its lay; None where the model is damaged.

    The features lie on the part of the working picture that `decide` looks at. It is found again
    there: eight photos' pictures at a time would take more memory than that takes time.
    """
    try:
        networks = load_joint_networks()
    except TracerError:
        return None
    look = _outlook(photo, cards, hull)
    seen = photo.seen[look.window]
    return networks.witness(look.picture, camera_offset(view, look.part), seen, look.part, view)


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
