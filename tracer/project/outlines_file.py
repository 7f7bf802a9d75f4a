"""``outlines.json``: outlines with what is known of their accuracy, read back without loss.

Coordinates are written to a micrometre, far below any cut, so that files stay small and the same
input gives the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, mapping, shape
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.project.schema import read_versioned

__all__ = ["OutlinesFile", "calibration_summary", "dump_outlines", "load_outlines", "ring_out"]

FORMAT = "tracer-outlines"
VERSION = 1
DECIMALS = 3


@dataclass(frozen=True)
class OutlinesFile:
    """Content of ``outlines.json``. ``lay_of`` tells the lay (1, 2 ...) of each outline id."""

    outlines: tuple[Outline, ...]
    calibration: dict[str, Any] = field(default_factory=dict)
    checks: tuple[Check, ...] = ()
    lay_of: dict[str, int] = field(default_factory=dict)


def dump_outlines(content: OutlinesFile) -> bytes:
    """JSON bytes; one outline a line, so that unchanged outlines keep their very bytes."""
    outlines = [_outline_out(o, content.lay_of.get(o.outline_id, 1)) for o in content.outlines]
    lines = ",\n".join("  " + _compact(o) for o in outlines)
    checks = ",\n".join("  " + _compact(_check_out(c)) for c in content.checks)
    text = (
        "{\n"
        f' "format": "{FORMAT}",\n "version": {VERSION},\n "units": "mm",\n "frame": "sheet",\n'
        f' "outlines": [\n{lines}\n ],\n'
        f' "calibration": {_compact(content.calibration)},\n'
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
    body = read_versioned(data, name, FORMAT, VERSION, {})
    try:
        return OutlinesFile(
            outlines=tuple(_outline_in(o) for o in body["outlines"]),
            calibration=body.get("calibration", {}),
            checks=tuple(_check_in(c) for c in body.get("checks", [])),
            lay_of={o["id"]: int(o.get("lay", 1)) for o in body["outlines"]},
        )
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {type(error).__name__} at {error}.",
            "Restore it from a copy, or trace the photos again.",
        ) from error


def calibration_summary(calibration: Calibration, names: dict[str, str]) -> dict[str, Any]:
    """What outlines.json keeps of a calibration; ``names`` gives each photo id's file name."""
    return {
        "photos": [
            {
                "photo_id": view.photo_id,
                "name": names.get(view.photo_id, ""),
                "size_px": list(view.size_px),
                "K": _rounded(view.K, 6),
                "dist": _rounded(view.dist, 9),
                "R": _rounded(view.R, 9),
                "t": _rounded(view.t, 6),
                "camera_height_mm": _number(view.height_mm),
                "nadir_mm": _rounded(view.nadir_mm, 3),
                "tilt_deg": _number(view.tilt_deg),
            }
            for view in calibration.views
        ],
        "cards": [
            {
                "number": card.number,
                "size_mm": list(card.size_mm),
                "x_mm": _number(card.placement[0]),
                "y_mm": _number(card.placement[1]),
                "angle_deg": _number(math.degrees(card.placement[2])),
                "used": card.used,
                "reason": card.reason,
                "rms_px": _number(card.rms_px),
            }
            for card in calibration.cards
        ],
        "hull": _rounded(np.asarray(calibration.hull_mm.exterior.coords)[:-1], DECIMALS),
        "sigma_px": _number(calibration.sigma_px),
        "rms_px": _number(calibration.rms_px),
        "max_px": _number(calibration.max_px),
        "scale_sigma": _number(calibration.scale_sigma, 6),
        "leave_one_out_mm": {str(k): _number(v) for k, v in calibration.leave_one_out_mm.items()},
    }


def _outline_out(o: Outline, lay: int) -> dict[str, Any]:
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
        "outer": _geometry_out(o.outer),
        "inner": _geometry_out(o.inner),
    }


def _outline_in(o: dict[str, Any]) -> Outline:
    region = Polygon(o["exterior"], o["holes"])
    ring = np.array([np.nan if v is None else v for v in o.get("sigma_ring_mm", [])], np.float64)
    return Outline(
        outline_id=o["id"],
        name=o["name"],
        region=region,
        height_mm=float(o["height_mm"]),
        height_source=HeightSource(o["height_source"]),
        method=EdgeModel(o.get("method", "mid")),
        sigma_mm=float(o["sigma_mm"]),
        sigma_ring_mm=ring,
        bias_bound_mm=float(o.get("bias_bound_mm") or 0.0),
        confidence=float(o["confidence"]),
        photo_ids=tuple(o["photo_ids"]),
        point_px=(float(o["point_px"][0]), float(o["point_px"][1])),
        cut_by_frame=bool(o.get("cut_by_frame", False)),
        cable=bool(o.get("cable", False)),
        height_sigma_mm=o.get("height_sigma_mm"),
        outer=_geometry_in(o.get("outer")),
        inner=_geometry_in(o.get("inner")),
        revision=int(o["revision"]),
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


def _check_in(c: dict[str, Any]) -> Check:
    where = c.get("where_mm")
    return Check(
        slug=c["slug"],
        severity=Severity(c["severity"]),
        sentence=c["sentence"],
        remedy=c.get("remedy", ""),
        subject_id=c.get("subject_id"),
        value=c.get("value"),
        limit=c.get("limit"),
        unit=c.get("unit", ""),
        where_mm=None if where is None else (float(where[0]), float(where[1])),
    )


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


def _geometry_in(value: dict[str, Any] | None) -> BaseGeometry | None:
    return None if value is None else shape(value)


def _rounded(values: Any, decimals: int) -> Any:
    return np.round(np.asarray(values, np.float64), decimals).tolist()


def _number(value: float | None, decimals: int = DECIMALS) -> float | None:
    """Rounded, or None for what is not known: JSON has no NaN."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals)


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
