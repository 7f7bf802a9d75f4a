"""``outlines.json``: outlines with what is known of their accuracy, read back without loss.

Coordinates are written to a micrometre, far below any cut, so that files stay small and the same
input gives the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from pydantic import TypeAdapter
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.errors import TracerError
from tracer.geometry.sound import UnsoundShape, sound_area, sound_polygon, sound_ring
from tracer.model.calibration import Calibration
from tracer.model.lay_calibration import CardPlace, LayCalibration, PhotoCamera, ScanPlace
from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.report import Check
from tracer.model.scan_map import ScanMap
from tracer.project.latest import Latest
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.ranges import JOB, shown

__all__ = ["OutlinesFile", "dump_outlines", "kept_calibration", "load_outlines", "ring_out"]

FORMAT = "tracer-outlines"
VERSION = 2
DECIMALS = 3


@dataclass(frozen=True)
class OutlinesFile:
    """Content of ``outlines.json``.

    ``calibration`` holds one value per lay, in order; ``lay_of`` tells the lay (1, 2 ...) of each
    outline id.
    """

    outlines: tuple[Outline, ...]
    calibration: tuple[LayCalibration, ...] = ()
    checks: tuple[Check, ...] = ()
    lay_of: dict[str, int] = field(default_factory=dict)


def dump_outlines(content: OutlinesFile) -> bytes:
    """JSON bytes; one outline a line, so that unchanged outlines keep their very bytes."""
    named = _named(content.checks)
    outlines = [
        _outline_out(o, content.lay_of.get(o.outline_id, 1), named) for o in content.outlines
    ]
    lines = ",\n".join("  " + _compact(o) for o in outlines)
    lays = ",\n".join("  " + _compact(_lay_out(lay)) for lay in content.calibration)
    checks = ",\n".join("  " + _compact(_check_out(c)) for c in content.checks)
    text = (
        "{\n"
        f' "format": "{FORMAT}",\n "version": {VERSION},\n "units": "mm",\n "frame": "sheet",\n'
        f' "outlines": [\n{lines}\n ],\n'
        f' "calibration": [\n{lays}\n ],\n'
        f' "checks": [\n{checks}\n ]\n'
        "}\n"
    )
    return text.encode("utf-8")


def load_outlines(data: bytes, name: str) -> OutlinesFile:
    """Read ``outlines.json``.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """
    found = _LATEST.get(data, lambda: _read(data, name))
    return replace(found, lay_of=dict(found.lay_of))


def _read(data: bytes, name: str) -> OutlinesFile:
    body = read_versioned(data, name, FORMAT, VERSION, {1: _with_lays_alike})
    try:
        content: _Content = checked(_CONTENT, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
        _refuse_doubles(content.outlines)
        for number, lay in enumerate(content.calibration, start=1):
            sound_ring(lay.hull, least=0)
            _refuse_half_known(lay, f"calibration of lay {number}")
        named = _named(content.checks)
        return OutlinesFile(
            outlines=tuple(_outline_in(row, named) for row in content.outlines),
            calibration=content.calibration,
            checks=content.checks,
            lay_of={row.id: row.lay for row in content.outlines},
        )
    except (Wrong, UnsoundShape) as wrong:
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {wrong}.",
            "Restore it from a copy, or trace the photos again.",
        ) from None


_LATEST = Latest[OutlinesFile]()

#: of a square millimetre of a scan; a map that is flat has no way back
LEAST_AREA_PX2 = 1e-6
#: corners of an outline and the like
MOST_ENTRIES = 100_000
Ring = list[list[float]]


@dataclass(frozen=True)
class _OutlineRow:
    """An outline as it stands in the file."""

    id: str
    name: str
    exterior: Ring
    holes: list[Ring]
    height_mm: float
    height_source: HeightSource
    sigma_mm: float
    confidence: float
    photo_ids: tuple[str, ...]
    point_px: tuple[float, float]
    revision: int
    method: EdgeModel = EdgeModel.MID
    height_sigma_mm: float | None = None
    bias_bound_mm: float | None = None
    cut_by_frame: bool = False
    cable: bool = False
    lay: int = 1
    sigma_ring_mm: list[float | None] = field(default_factory=list)
    outer: dict[str, Any] | None = None
    inner: dict[str, Any] | None = None
    budget_mm: dict[Cause, float] = field(default_factory=dict)
    in_doubt: bool | None = None


@dataclass(frozen=True)
class _Content:
    outlines: tuple[_OutlineRow, ...]
    calibration: tuple[LayCalibration, ...] = ()
    checks: tuple[Check, ...] = ()


def _with_lays_alike(body: dict[str, Any]) -> dict[str, Any]:
    """Version 1 held the first lay's calibration, and the further ones inside it."""
    first = body.get("calibration", {})
    if not isinstance(first, dict):
        return body
    further = first.get("further_lays", [])
    own = {k: v for k, v in first.items() if k != "further_lays"}
    lays = [own, *further] if isinstance(further, list) else further
    return {**body, "calibration": [] if lays == [{}] else lays}


def _refuse_doubles(rows: Sequence[_OutlineRow]) -> None:
    """Stop at a number that two outlines have: a pocket belongs to one of them."""
    seen: set[str] = set()
    for place, row in enumerate(rows, start=1):
        if row.id in seen:
            raise Wrong(f"outlines {place}, id", f"{shown(row.id)} is another outline's already")
        seen.add(row.id)


def _refuse_half_known(lay: LayCalibration, place: str) -> None:
    if any(len(row) != 3 for p in lay.photos for row in (*p.K, *p.R, p.t)):
        raise Wrong(place, "a camera needs rows of 3 numbers")
    if any(len(row) != 3 for scan in lay.scans for row in scan.to_px):
        raise Wrong(place, "a scan needs rows of 3 numbers")
    if any(abs(np.linalg.det(scan.view().to_px[:, :2])) < LEAST_AREA_PX2 for scan in lay.scans):
        raise Wrong(place, "a scan's map has no extent")
    for card in lay.cards:
        if card.used and None in (card.x_mm, card.y_mm, card.angle_deg):
            raise Wrong(place, f"card {card.number} has no place")


_CONTENT = TypeAdapter(_Content)
_NAMES: dict[type, str] = {
    _Content: "",
    _OutlineRow: "outline",
    PhotoCamera: "photo",
    ScanPlace: "scan",
    CardPlace: "card",
    LayCalibration: "lay",
    Check: "check",
}


def kept_calibration(calibration: Calibration, names: Mapping[str, str]) -> LayCalibration:
    """What a job keeps of a calibration; ``names`` gives each photo id's file name."""
    return LayCalibration(
        photos=tuple(
            PhotoCamera(
                photo_id=view.photo_id,
                name=names.get(view.photo_id, ""),
                size_px=view.size_px,
                K=_rounded(view.K, 6),
                dist=_rounded(view.dist, 9),
                R=_rounded(view.R, 9),
                t=_rounded(view.t, 6),
                camera_height_mm=_number(view.height_mm),
                nadir_mm=_rounded(view.nadir_mm, 3),
                tilt_deg=_number(view.tilt_deg),
            )
            for view in calibration.cameras
        ),
        scans=tuple(
            ScanPlace(
                photo_id=view.photo_id,
                name=names.get(view.photo_id, ""),
                size_px=view.size_px,
                to_px=_rounded(view.to_px, 9),
            )
            for view in calibration.views
            if isinstance(view, ScanMap)
        ),
        cards=tuple(
            CardPlace(
                number=card.number,
                size_mm=card.size_mm,
                x_mm=_number(card.placement[0]),
                y_mm=_number(card.placement[1]),
                angle_deg=_number(math.degrees(card.placement[2])),
                used=card.used,
                reason=card.reason,
                rms_px=_number(card.rms_px),
            )
            for card in calibration.cards
        ),
        hull=_rounded(np.asarray(calibration.hull_mm.exterior.coords)[:-1], DECIMALS),
        sigma_px=_number(calibration.sigma_px),
        rms_px=_number(calibration.rms_px),
        max_px=_number(calibration.max_px),
        scale_sigma=_number(calibration.scale_sigma, 6),
        leave_one_out_mm={str(k): _number(v) for k, v in calibration.leave_one_out_mm.items()},
    )


def _lay_out(lay: LayCalibration) -> dict[str, Any]:
    """No word of scans where there is none, so that older lays keep their very lines."""
    return {key: value for key, value in asdict(lay).items() if value or key != "scans"}


def _named(checks: Sequence[Check]) -> set[str | None]:
    """Ids of the outlines that the findings call doubtful."""
    return {c.subject_id for c in checks if c.slug == "outline-doubtful"}


def _outline_out(o: Outline, lay: int, named: set[str | None]) -> dict[str, Any]:
    # The outline's own turn and first vertex are kept: sigma_ring_mm belongs to its vertices.
    return {
        "id": o.outline_id,
        "name": o.name,
        "exterior": ring_out(o.region.exterior.coords),
        "holes": [ring_out(h.coords) for h in o.region.interiors],
        "height_mm": _number(o.height_mm),
        "height_source": o.height_source.value,
        "height_sigma_mm": _number(o.height_sigma_mm),
        "method": o.method.value,
        "sigma_mm": _number(o.sigma_mm),
        "bias_bound_mm": _number(o.bias_bound_mm),
        "confidence": _number(o.confidence),
        "photo_ids": list(o.photo_ids),
        "point_px": [_number(v, 1) for v in o.point_px],
        "cut_by_frame": o.cut_by_frame,
        "cable": o.cable,
        "lay": lay,
        "revision": o.revision,
        "sigma_ring_mm": [_number(v) for v in o.sigma_ring_mm],
        **_budget_out(o),
        # where the findings say the same, nothing: older outlines keep their very lines
        **({"in_doubt": o.in_doubt} if o.in_doubt != (o.outline_id in named) else {}),
        "outer": _geometry_out(o.outer),
        "inner": _geometry_out(o.inner),
    }


def _budget_out(o: Outline) -> dict[str, Any]:
    """Nothing where it is not known, so that older outlines keep their very lines."""
    parts = {cause.value: _number(part) for cause, part in o.budget_mm.items()}
    return {"budget_mm": parts} if parts else {}


def _outline_in(row: _OutlineRow, named: set[str | None]) -> Outline:
    try:
        region = sound_polygon(row.exterior, row.holes)
        outer, inner = (None if v is None else sound_area(v) for v in (row.outer, row.inner))
    except UnsoundShape as wrong:
        raise Wrong(f"outline {row.id}", f"its shape {wrong}") from None
    ring = np.array([np.nan if v is None else v for v in row.sigma_ring_mm], np.float64)
    return Outline(
        outline_id=row.id,
        name=row.name,
        region=region,
        height_mm=row.height_mm,
        height_source=row.height_source,
        method=row.method,
        sigma_mm=row.sigma_mm,
        # it belongs to the corners one by one
        sigma_ring_mm=ring if len(ring) == len(region.exterior.coords) - 1 else np.empty(0),
        bias_bound_mm=row.bias_bound_mm or 0.0,
        confidence=row.confidence,
        photo_ids=row.photo_ids,
        point_px=row.point_px,
        cut_by_frame=row.cut_by_frame,
        cable=row.cable,
        height_sigma_mm=row.height_sigma_mm,
        outer=outer,
        inner=inner,
        revision=row.revision,
        budget_mm=row.budget_mm,
        in_doubt=row.id in named if row.in_doubt is None else row.in_doubt,
    )


def _check_out(c: Check) -> dict[str, Any]:
    return {
        "slug": c.slug,
        "severity": c.severity.value,
        "sentence": c.sentence,
        "remedy": c.remedy,
        "subject_id": c.subject_id,
        "value": _number(c.value),
        "limit": _number(c.limit),
        "unit": c.unit,
        "where_mm": None if c.where_mm is None else [_number(v) for v in c.where_mm],
    }


def ring_out(coords: Iterable[Any]) -> list[list[float]]:
    """A closed ring as it is written: to a micrometre, first point not repeated."""
    points: list[list[float]] = np.round(
        np.asarray(list(coords), np.float64)[:-1, :2], DECIMALS
    ).tolist()
    return points


def _geometry_out(geometry: BaseGeometry | None) -> dict[str, Any] | None:
    if geometry is None or geometry.is_empty:
        return None
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    rounded = [
        orient(Polygon(ring_out(p.exterior.coords), [ring_out(h.coords) for h in p.interiors]))
        for p in parts
        if isinstance(p, Polygon)
    ]
    return mapping(rounded[0] if len(rounded) == 1 else MultiPolygon(rounded))


def _rounded(values: Any, decimals: int) -> Any:
    return np.round(np.asarray(values, np.float64), decimals).tolist()


def _number(value: float | None, decimals: int = DECIMALS) -> float | None:
    """Rounded, or None for what is not known: JSON has no NaN."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals)


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
