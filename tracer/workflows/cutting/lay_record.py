"""What was cut with what from a lay, and how the lay lies on its sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tracer.geometry.loops import turned
from tracer.model.placement import Placement
from tracer.model.pocket import Pocket, Room
from tracer.model.report import Check
from tracer.project.cut_record import CutCheck, CutPocket, CutRecord, CutSheet, dump_cut

if TYPE_CHECKING:
    from tracer.workflows.cutting.cut import CutOptions, CutResult

__all__ = ["LayPlace", "lay_record", "turned_pocket"]


@dataclass(frozen=True)
class LayPlace:
    """A lay on its sheet: it is turned first, then the sheet's corner becomes (0, 0)."""

    origin_mm: tuple[float, float]
    size_mm: tuple[float, float]
    turn_rad: float


def turned_pocket(pocket: Pocket, angle_rad: float) -> Pocket:
    """The pocket turned counter-clockwise about (0, 0)."""
    if not angle_rad:
        return pocket
    motion = Placement(0.0, 0.0, angle_rad)
    return replace(
        pocket,
        wall=turned(pocket.wall, angle_rad),
        islands=tuple(turned(island, angle_rad) for island in pocket.islands),
        region=motion.apply_polygon(pocket.region),
        outline=motion.apply(pocket.outline),
        wanted=motion.apply_polygon(pocket.wanted),
    )


def lay_record(
    name: str,
    options: CutOptions,
    pockets: Sequence[Pocket],
    rooms: Sequence[Room],
    results: Sequence[tuple[CutResult, float]],
    checks: Sequence[Check],
    files: Mapping[str, bytes],
    place: LayPlace,
) -> bytes:
    """What was cut with what, for people and programs that come later.

    ``results`` come with the thickness of their sheets in mm.
    """
    record = CutRecord(
        name=name,
        machine=options.machine.key,
        thickness_mm=options.thickness_mm,
        origin_mm=place.origin_mm,
        size_mm=place.size_mm,
        turn_deg=round(math.degrees(place.turn_rad), 6),
        pockets=tuple(
            CutPocket(
                id=p.pocket_id,
                name=p.name,
                outline_revision=p.outline_revision,
                fit_mm=round(p.rule.fit_mm, 3),
                fit_probability=room.probability,
                widths_mm=(round(room.least_mm, 2), round(room.most_mm, 2)),
                wall=tuple(
                    (float(x), float(y))
                    for x, y in np.round(np.asarray(p.wanted.exterior.coords)[:-1, :2], 3)
                ),
                depth_mm=p.rule.depth_mm,
                area_mm2=round(p.region.area, 1),
            )
            for p, room in zip(pockets, rooms, strict=True)
        ),
        sheets=tuple(
            CutSheet(
                r.cut.title,
                r.cut.size_mm,
                thickness_mm,
                round(r.figures.cut_mm, 1),
                r.figures.plunges,
                round(r.figures.seconds),
            )
            for r, thickness_mm in results
        ),
        checks=tuple(CutCheck(c.slug, c.severity.value) for c in checks),
        files=tuple(sorted(files)),
    )
    return dump_cut(record)
