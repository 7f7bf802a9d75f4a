"""``silhouettes.json``: each tool's edge as the photos show it, for looking and correcting.

Outlines are seen straight down and do not lie on the edges that a photo shows; corrections are
made on those edges. Nothing is computed from this file: a run makes it anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter
from shapely.geometry import Point, Polygon

from tracer.errors import TracerError
from tracer.geometry.sound import UnsoundShape, sound_ring
from tracer.model.outline import Outline
from tracer.model.silhouette import Segmentation, Silhouette
from tracer.model.view import PlaneMap
from tracer.project.latest import Latest
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.ranges import JOB

__all__ = ["SeenEdge", "dump_silhouettes", "load_silhouettes", "seen_edges"]

FORMAT = "tracer-silhouettes"
VERSION = 1
SAME_TOOL_IOU = 0.2  # parallax moves a silhouette off its outline, by less than its own width


@dataclass(frozen=True, eq=False)
class SeenEdge:
    """One silhouette in one photo.

    Attributes
    ----------
    silhouette_id, outline_id
        Its own id, and the outline that was made from it (None where none was).
    exterior_px, holes_px
        Rings (N, 2) in pixels of the upright photo, first point not repeated.
    confidence, edge_confidence
        0 to 1 for the whole and per exterior vertex.
    kind
        ``tool`` or ``cable``.
    touches_border
        The photo's frame cuts it.
    """

    silhouette_id: str
    outline_id: str | None
    exterior_px: NDArray[np.float64]
    holes_px: tuple[NDArray[np.float64], ...]
    confidence: float
    edge_confidence: NDArray[np.float64]
    kind: str = "tool"
    touches_border: bool = False


def seen_edges(
    segmentation: Segmentation, view: PlaneMap, outlines: Sequence[Outline]
) -> tuple[SeenEdge, ...]:
    """Silhouettes of one photo in its pixels, each with the outline it belongs to."""
    edges = []
    for s in segmentation.silhouettes:
        rings = [np.asarray(s.region.exterior.coords)[:-1]]
        rings += [np.asarray(hole.coords)[:-1] for hole in s.region.interiors]
        exterior, *holes = [view.to_photo(ring) for ring in rings]
        outline_id = _outline_of(s, segmentation.photo_id, exterior, outlines)
        edges.append(
            SeenEdge(
                s.silhouette_id,
                outline_id,
                exterior,
                tuple(holes),
                s.confidence,
                s.edge_confidence,
                s.kind.value,
                s.touches_border,
            )
        )
    return tuple(edges)


def _outline_of(
    s: Silhouette, photo_id: str, exterior_px: NDArray[np.float64], outlines: Sequence[Outline]
) -> str | None:
    """The outline whose point lies in the silhouette, else the one that covers it most."""
    seen = Polygon(exterior_px)
    for o in outlines:
        if photo_id == o.photo_ids[0] and seen.contains(Point(o.point_px)):
            return o.outline_id
    filled = Polygon(s.region.exterior)
    best, best_iou = None, SAME_TOOL_IOU
    for o in outlines:
        if photo_id in o.photo_ids:
            other = Polygon(o.region.exterior)
            common = filled.intersection(other).area
            iou = common / max(filled.area + other.area - common, 1e-9)
            if iou > best_iou:
                best, best_iou = o.outline_id, iou
    return best


def dump_silhouettes(by_photo: dict[str, tuple[SeenEdge, ...]]) -> bytes:
    """JSON bytes; hundredths of a pixel are far finer than any edge is known."""
    body = {
        "format": FORMAT,
        "version": VERSION,
        "units": "px",
        "photos": {photo_id: [_out(e) for e in edges] for photo_id, edges in by_photo.items()},
    }
    return (json.dumps(body, allow_nan=False, separators=(",", ":")) + "\n").encode()


def load_silhouettes(data: bytes, name: str) -> dict[str, tuple[SeenEdge, ...]]:
    """Silhouettes by photo id.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """
    return dict(_LATEST.get(data, lambda: _read(data, name)))


def _read(data: bytes, name: str) -> dict[str, tuple[SeenEdge, ...]]:
    body = read_versioned(data, name, FORMAT, VERSION, {})
    try:
        content: _Content = checked(_CONTENT, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
        return {p: tuple(_in(e) for e in edges) for p, edges in content.photos.items()}
    except (Wrong, UnsoundShape) as wrong:
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {wrong}.",
            "Trace the job again; the file is made anew.",
        ) from None


_LATEST = Latest[dict[str, tuple[SeenEdge, ...]]]()
MOST_ENTRIES = 100_000


@dataclass(frozen=True)
class _EdgeRow:
    """A silhouette as it stands in the file."""

    id: str
    outline: str | None
    exterior: list[list[float]]
    holes: list[list[list[float]]]
    confidence: float
    edge_confidence: list[float]
    kind: str
    touches_border: bool


@dataclass(frozen=True)
class _Content:
    photos: dict[str, tuple[_EdgeRow, ...]]


_CONTENT = TypeAdapter(_Content)
_NAMES: dict[type, str] = {_Content: "", _EdgeRow: "edge"}


def _out(edge: SeenEdge) -> dict[str, Any]:
    return {
        "id": edge.silhouette_id,
        "outline": edge.outline_id,
        "exterior": np.round(edge.exterior_px, 2).tolist(),
        "holes": [np.round(h, 2).tolist() for h in edge.holes_px],
        "confidence": round(float(edge.confidence), 3),
        "edge_confidence": np.round(np.nan_to_num(edge.edge_confidence), 2).tolist(),
        "kind": edge.kind,
        "touches_border": edge.touches_border,
    }


def _in(row: _EdgeRow) -> SeenEdge:
    return SeenEdge(
        silhouette_id=row.id,
        outline_id=row.outline,
        exterior_px=sound_ring(row.exterior),
        holes_px=tuple(sound_ring(hole) for hole in row.holes),
        confidence=row.confidence,
        edge_confidence=np.asarray(row.edge_confidence, np.float64),
        kind=row.kind,
        touches_border=row.touches_border,
    )
