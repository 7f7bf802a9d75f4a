"""What a page shows of a job, as JSON: inputs, outlines, checks, and what to draw on a photo."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Sequence
from dataclasses import asdict
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LinearRing, LineString, Point, Polygon

from tracer.desk.checks import check_record
from tracer.desk.doubts import doubts_record
from tracer.desk.jobs import DeskJob
from tracer.model.card import WHITE_MM
from tracer.model.corrections import Corrections
from tracer.model.lay_calibration import CardPlace, of_lay
from tracer.model.outline import Outline
from tracer.model.view import PlaneMap
from tracer.pictures.tiles import TILE_PX, level_count
from tracer.project.edits_file import EDITS_NAME, Edit, Edits, load_edits
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.plan_file import plan_record
from tracer.project.schema import LayRecord
from tracer.project.silhouettes_file import SeenEdge, load_silhouettes
from tracer.segmentation.corrected import ends_near
from tracer.workflows.editing.job_edits import inputs_of, job_revision
from tracer.workflows.editing.job_inputs import Inputs, shown_cell
from tracer.workflows.job.lay_runs import RETIRED
from tracer.workflows.job.retrace import stale_lays

__all__ = ["job_record", "photo_record", "runs_beside_outline"]

_SERIAL = count(time.time_ns() // 1000)  # goes on rising when the desk is started again

SHOWN_EDITS = 100
SHOWN_PX = 0.35  # outlines are simplified for the eye by less than anybody sees
NEAR_MM = 10.0  # a tall tool's edge as seen lies beside the outline that was kept of it
WEAK = 0.5  # edge confidence below which a stretch is marked
CELLS = ("name", "height_mm", "depth_mm", "mass_kg", "quantity", "edge", "tilt_deg", "packed")


def job_record(job: DeskJob) -> dict[str, Any]:
    """Everything about a job but the drawing on its photos."""
    serial = next(_SERIAL)  # taken before anything is read: a higher one has seen at least as much
    revision = job_revision(job.folder)
    data = job.folder.read("outlines.json")
    content = load_outlines(data, "outlines.json")
    inputs = inputs_of(job.folder)
    edits = Edits()
    if job.folder.has(EDITS_NAME):
        edits = load_edits(job.folder.read(EDITS_NAME))
    return {
        "job": job.job_id,
        "name": job.folder.name,
        "revision": revision,
        "serial": serial,
        "results": hashlib.sha256(data).hexdigest()[:16],
        "stale": bool(stale_lays(inputs.record, inputs.tools)),
        "run": job.state.record(),
        "undo": _edit_name(edits.last),
        "redo": _edit_name(edits.next),
        "history": _history(edits),
        "lays": [_lay(n, lay, content) for n, lay in enumerate(inputs.record.lays, start=1)],
        "outlines": [_outline(o, inputs) for o in content.outlines],
        "checks": [check_record(c) for c in content.checks],
        "doubts": doubts_record(content.outlines, content.checks, inputs.record),
        "accepted": inputs.record.accepted,
        "plan": None if inputs.plan is None else plan_record(inputs.plan),
    }


def runs_beside_outline(job: DeskJob, photo_id: str, line_px: NDArray[np.float64]) -> bool:
    """Whether a drawn edge begins and ends beside an outline, as a correction must."""
    content = load_outlines(job.folder.read("outlines.json"), "outlines.json")
    view = next((v for lay in content.calibration if (v := lay.view(photo_id))), None)
    if view is None or not job.folder.has("silhouettes.json"):
        return True  # nothing is known: the run will tell
    seen = load_silhouettes(job.folder.read("silhouettes.json"), "silhouettes.json")
    rings = [r for e in seen.get(photo_id, ()) for r in (e.exterior_px, *e.holes_px)]
    line = view.to_sheet(line_px)
    return any(ends_near(LinearRing(view.to_sheet(ring)), line) for ring in rings)


def photo_record(job: DeskJob, photo_id: str) -> dict[str, Any]:
    """What to draw on one photo: seen edges, true outlines, cards, all in its pixels.

    Raises
    ------
    KeyError
        Where the job has no such photo.
    """
    content = load_outlines(job.folder.read("outlines.json"), "outlines.json")
    inputs = inputs_of(job.folder)
    number = {
        p.photo_id: n for n, lay in enumerate(inputs.record.lays, start=1) for p in lay.photos
    }[photo_id]
    seen: tuple[SeenEdge, ...] = ()
    if job.folder.has("silhouettes.json"):
        seen = load_silhouettes(job.folder.read("silhouettes.json"), "silhouettes.json").get(
            photo_id, ()
        )
    calibration = of_lay(content.calibration, number)
    camera = calibration.camera(photo_id)
    view = calibration.view(photo_id)
    mine = [o for o in content.outlines if content.lay_of[o.outline_id] == number]
    return {
        "photo": photo_id,
        "seen": [_seen(e) for e in seen],
        "places": _places(content, inputs, view, number) if view else {},
        "dropped": _dropped(job, number, photo_id, inputs, view) if view else [],
        "true": [_true(o, view) for o in mine] if view else [],
        "cards": [_card(c, view) for c in calibration.cards] if view else [],
        "hull": _path(_project(view, calibration.hull)) if view and calibration.hull else "",
        "camera": {k: getattr(camera, k) for k in ("camera_height_mm", "tilt_deg")}
        if camera
        else None,
        "fit": {
            k: getattr(calibration, k) for k in ("rms_px", "max_px", "sigma_px", "scale_sigma")
        },
    }


def _history(edits: Edits) -> dict[str, Any]:
    """The latest edits by name, and how many are in force; ``first`` counts those before them."""
    first = max(0, min(len(edits.edits) - SHOWN_EDITS, edits.done - 1))
    return {
        "done": edits.done,
        "first": first,
        "edits": [_edit_name(e) for e in edits.edits[first:]],
    }


def _places(
    content: OutlinesFile, inputs: Inputs, view: PlaneMap, lay: int
) -> dict[str, list[float]]:
    """Where in the photo the doubts lie that name a place."""
    found = {}
    for entry in doubts_record(content.outlines, content.checks, inputs.record):
        mine = entry["outline"] is None or content.lay_of[entry["outline"]] == lay
        if mine and entry["where_mm"] is not None:
            x, y = view.to_photo([entry["where_mm"]])[0]
            if math.isfinite(x) and math.isfinite(y):
                found[entry["key"]] = [round(float(x), 1), round(float(y), 1)]
    return found


def _dropped(
    job: DeskJob, lay: int, photo_id: str, inputs: Inputs, view: PlaneMap
) -> list[dict[str, Any]]:
    """Tools that a person dropped, where they lay, and the points that drop each."""
    photo = next(p for p in inputs.record.lays[lay - 1].photos if p.photo_id == photo_id)
    points = photo.corrections.drop
    if not points or not job.folder.has(RETIRED):
        return []
    places = [Point(p) for p in view.to_sheet(points)]
    gone = load_outlines(job.folder.read(RETIRED), RETIRED)
    found = []
    for o in gone.outlines:
        shape = Polygon(o.region.exterior)
        mine = [p for p, at in zip(points, places, strict=True) if shape.distance(at) <= NEAR_MM]
        if mine and gone.lay_of[o.outline_id] == lay:
            path = _path(_project(view, list(o.region.exterior.coords)[:-1]))
            found.append({"outline": o.outline_id, "path": path, "points": mine})
    return found


def _edit_name(edit: Edit | None) -> dict[str, str] | None:
    return None if edit is None else {"kind": edit.kind, "subject": edit.subject}


def _lay(number: int, lay: LayRecord, content: OutlinesFile) -> dict[str, Any]:
    calibration = of_lay(content.calibration, number)
    sizes = {p.photo_id: p.size_px for p in calibration.pictures}
    return {
        "number": number,
        "settings": {
            "default_height_mm": lay.default_height_mm,
            "camera_height_mm": lay.camera_height_mm,
            "card_size_mm": lay.card_size_mm,
            "edge": lay.edge,
            "keep_cables": lay.keep_cables,
            "silhouettes": lay.silhouettes,
        },
        "photos": [
            {
                "photo": p.photo_id,
                "name": p.name,
                "size_px": sizes.get(p.photo_id),
                "tile_px": TILE_PX,
                "levels": level_count(sizes[p.photo_id]) if p.photo_id in sizes else 1,
            }
            for p in lay.photos
        ],
        "corrections": {p.photo_id: _corrections(p.corrections) for p in lay.photos},
        "cards": [asdict(card) for card in calibration.cards],
        "leave_one_out_mm": calibration.leave_one_out_mm,
    }


def _corrections(corrections: Corrections) -> dict[str, Any]:
    """Lists of corrections that hold any, in the form in which edits carry them."""
    return {k: v for k, v in asdict(corrections).items() if v}


def _outline(o: Outline, inputs: Inputs) -> dict[str, Any]:
    index = inputs.row_of.get(o.outline_id)
    row = None if index is None else inputs.tools.rows[index]
    long_mm, short_mm = _sides(o.region)
    return {
        "id": o.outline_id,
        "lay": inputs.lay_of[o.outline_id],
        "cells": {name: shown_cell(row, name, o.outline_id) for name in CELLS},
        "height_mm": o.height_mm,
        "height_source": o.height_source.value,
        "height_sigma_mm": o.height_sigma_mm,
        "sigma_mm": _finite(o.sigma_mm),
        "bias_bound_mm": _finite(o.bias_bound_mm),
        "confidence": _finite(o.confidence),
        "long_mm": long_mm,
        "short_mm": short_mm,
        "holes": len(o.region.interiors),
        "point_px": o.point_px,
        "cut_by_frame": o.cut_by_frame,
        "cable": o.cable,
        "revision": o.revision,
    }


def _sides(region: Polygon) -> tuple[float, float]:
    """Long and short side of the smallest rectangle around the outline."""
    box = region.minimum_rotated_rectangle
    corners = np.asarray(box.exterior.coords) if isinstance(box, Polygon) else np.zeros((5, 2))
    a, b = np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[2] - corners[1]))
    return round(float(max(a, b)), 1), round(float(min(a, b)), 1)


def _finite(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None


def _project(view: PlaneMap | None, ring_mm: Any) -> NDArray[np.float64]:
    """A sheet ring in pixels; long straight sides bend with the lens."""
    assert view is not None
    ring = LineString([*ring_mm, ring_mm[0]]).segmentize(8.0)
    return view.to_photo(np.asarray(ring.coords)[:-1])


def _seen(edge: SeenEdge) -> dict[str, Any]:
    rings = [edge.exterior_px, *edge.holes_px]
    inside = Polygon(edge.exterior_px).buffer(0).representative_point()
    return {
        "inside": [round(inside.x, 1), round(inside.y, 1)],
        "id": edge.silhouette_id,
        "outline": edge.outline_id,
        "kind": edge.kind,
        "confidence": round(edge.confidence, 3),
        "touches_border": edge.touches_border,
        "path": "".join(_path(r) for r in rings),
        "weak": _weak(edge),
    }


def _true(o: Outline, view: PlaneMap) -> dict[str, Any]:
    rings = [list(o.region.exterior.coords)[:-1]]
    rings += [list(h.coords)[:-1] for h in o.region.interiors]
    centre = view.to_photo([o.region.representative_point().coords[0]])[0]
    return {
        "outline": o.outline_id,
        "path": "".join(_path(_project(view, r)) for r in rings),
        "centre": [round(float(v), 1) for v in centre],
    }


def _card(card: CardPlace, view: PlaneMap) -> dict[str, Any]:
    length, width = card.size_mm
    angle = math.radians(card.angle_deg or 0.0)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    left, above, right, below = WHITE_MM
    corners = np.array(
        [
            (-left, -below),
            (length + right, -below),
            (length + right, width + above),
            (-left, width + above),
        ]
    )
    ring = corners @ turn + [card.x_mm or 0.0, card.y_mm or 0.0]
    pixels = _project(view, ring.tolist())
    return {
        "number": card.number,
        "used": card.used,
        "reason": card.reason,
        "rms_px": card.rms_px,
        "path": _path(pixels),
        "centre": np.round(pixels.mean(axis=0), 1).tolist(),
    }


def _path(ring_px: NDArray[np.float64]) -> str:
    """SVG path of a closed ring, simplified for the eye, in tenths of a pixel."""
    if len(ring_px) < 3 or not np.isfinite(ring_px).all():
        return ""
    closed = LineString(np.vstack([ring_px, ring_px[:1]])).simplify(SHOWN_PX)
    points = np.asarray(closed.coords)[:-1]
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _weak(edge: SeenEdge) -> list[str]:
    """Stretches of the outer edge that are little trusted, as open paths."""
    confidence = edge.edge_confidence
    n = len(edge.exterior_px)
    if len(confidence) != n or n == 0 or not (confidence < WEAK).any():
        return []
    weak = confidence < WEAK
    start = int(np.argmin(weak)) if not weak.all() else 0  # begin where it is trusted
    order: Sequence[int] = [(start + i) % n for i in range(n + 1)]
    paths, run = [], []
    for i in order:
        if weak[i]:
            run.append(edge.exterior_px[i])
        elif run:
            paths.append(run)
            run = []
    if run:
        paths.append(run)
    return ["M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in path) for path in paths if len(path) > 2]
