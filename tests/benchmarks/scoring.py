"""Counting and measuring a traced lay against its truth.

Counting
    Results and true tools are paired one to one by overlap (IoU over 0.25) after one rigid
    alignment of the whole lay. *Missed*: a true tool without a partner. *Merged*: a result that
    covers more than half of two true tools. *Invented*: a result without a partner that does not
    lie on a tool cut by the frame or on a loose cable; those two kinds are not counted.
Distance
    Between outlines with their holes filled, see `tracer.geometry.compare.boundary_distance`.
Usable as it is
    With slits narrower than `SLIT_MM` closed in both (nobody cuts them), 95 % of the edge lies
    within `USABLE_P95_MM` and nothing is over `USABLE_MAX_MM`: *usable* where the tool lies in the
    lay, *usable alone* after it was moved to its own best place, as a pocket may lie anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from shapely.geometry import Polygon

from tests.benchmarks.truth import Tool
from tracer.geometry.compare import (
    BoundaryDistance,
    Motion,
    align,
    boundary_distance,
    filled,
    iou,
    sample_boundary,
    scale_between,
)
from tracer.model.view import View

__all__ = ["LayScore", "Result", "ToolScore", "aligned_pairs", "camera_scale", "score_lay"]

Array = NDArray[np.float64]
PAIR_IOU = 0.25
MERGED_SHARE = 0.5
ON_UNCOUNTED_SHARE = 0.25  # part of a result on a cut or optional tool that explains it
SLIT_MM, USABLE_P95_MM, USABLE_MAX_MM = 3.0, 2.0, 4.0
STEP_MM = 60.0  # grid on which two cameras are compared


@dataclass(frozen=True, eq=False)
class Result:
    """A traced outline as read back from ``outlines.json``."""

    outline_id: str
    name: str
    region: Polygon
    height_mm: float | None = None
    height_source: str = ""
    sigma_mm: float | None = None
    sigma_ring_mm: tuple[float, ...] = ()
    height_sigma_mm: float | None = None


@dataclass(frozen=True)
class ToolScore:
    """A true tool and its partner.

    ``errors_in_sigmas`` are the outline's vertices' distances from the true edge, each over the
    standard deviation stated there; ``ring_sigma_mm`` is the median of those. ``usable``: as it
    is, slits under 3 mm closed in both, 95 % of the edge lies within 2 mm and all within 4 mm.
    ``own`` is the distance at the tool's own best place.
    """

    name: str
    true_height_mm: float
    height_mm: float | None
    height_source: str
    distance: BoundaryDistance
    iou: float
    sigma_mm: float | None
    usable: bool = False
    errors_in_sigmas: tuple[float, ...] = ()
    ring_sigma_mm: float | None = None
    height_sigma_mm: float | None = None
    own: BoundaryDistance | None = None
    outline_id: str = ""

    @property
    def usable_alone(self) -> bool:
        """Whether a pocket of this outline, wherever it lies, needs no hand."""
        return self.own is not None and is_usable(self.own)


@dataclass(frozen=True)
class LayScore:
    """A lay: what was found, and how far it is from the truth."""

    tools: tuple[ToolScore, ...] = ()
    counted: int = 0
    missed: tuple[str, ...] = ()
    merged: tuple[str, ...] = ()
    invented: tuple[str, ...] = ()
    alignment: Motion = field(default_factory=Motion)
    scale_error: float | None = None


def score_lay(
    results: Sequence[Result],
    tools: Sequence[Tool],
    photos: range,
    starts: Sequence[Motion] = (Motion(),),
) -> LayScore:
    """Score one lay.

    Parameters
    ----------
    photos
        Indices of the photos that were traced; tools that none of them shows whole do not count.
    starts
        Candidate motions from the truth's frame to the results' frame (one per scale card, as
        the results' frame is a card's); the one with most overlap is refined.
    """
    counted = [t for t in tools if t.counted(photos)]
    uncounted = [t for t in tools if not t.counted(photos)]
    motion, pairs = aligned_pairs(results, counted, starts)
    placed = {t.index: motion.region(t.outline) for t in tools}
    found = {t for _, t in pairs}
    partnered = {r for r, _ in pairs}
    return LayScore(
        tools=tuple(_tool_score(results[r], counted[t], placed) for r, t in sorted(pairs)),
        counted=len(counted),
        missed=tuple(t.name for i, t in enumerate(counted) if i not in found),
        merged=tuple(r.outline_id for r in results if _covers_two(r, tools, placed)),
        invented=tuple(
            r.outline_id
            for i, r in enumerate(results)
            if i not in partnered and not _explained(r, uncounted, placed)
        ),
        alignment=motion,
        scale_error=_scale_error(results, counted, pairs, placed),
    )


def aligned_pairs(
    results: Sequence[Result], tools: Sequence[Tool], starts: Sequence[Motion]
) -> tuple[Motion, list[tuple[int, int]]]:
    """Motion from the truth's frame to the results', and pairs (result, tool) of indices."""
    best: tuple[float, Motion, list[tuple[int, int]]] = (-1.0, Motion(), [])
    for start in starts:
        pairs, total = _paired(results, tools, start)
        if total > best[0]:
            best = total, start, pairs
    _, motion, pairs = best
    for _ in range(2):  # pairs may change once the lay lies right
        if pairs:
            motion = align(
                [(filled(tools[t].outline), filled(results[r].region)) for r, t in pairs], motion
            )
            pairs, _ = _paired(results, tools, motion)
    return motion, pairs


def _paired(
    results: Sequence[Result], tools: Sequence[Tool], motion: Motion
) -> tuple[list[tuple[int, int]], float]:
    """Best one-to-one pairs (result, tool) and the sum of their overlaps."""
    if not results or not tools:
        return [], 0.0
    placed = [filled(motion.region(t.outline)) for t in tools]
    overlap = np.array([[iou(filled(r.region), p) for p in placed] for r in results])
    rows, cols = linear_sum_assignment(-overlap)
    good = [(int(r), int(c)) for r, c in zip(rows, cols, strict=True) if overlap[r, c] > PAIR_IOU]
    return good, float(sum(overlap[r, c] for r, c in good))


def _tool_score(result: Result, tool: Tool, placed: dict[int, Polygon]) -> ToolScore:
    mine, true = filled(result.region), filled(placed[tool.index])
    own = own_distance(mine, true)
    return ToolScore(
        tool.name,
        tool.height_mm,
        result.height_mm,
        result.height_source,
        boundary_distance(mine, true),
        iou(mine, true),
        result.sigma_mm,
        is_usable(boundary_distance(*map(without_slits, (mine, true)))),
        *in_sigmas(result, true),
        result.height_sigma_mm,
        own,
        result.outline_id,
    )


def own_distance(first: Polygon, second: Polygon) -> BoundaryDistance:
    """Distance of two outlines at their best place, narrow slits closed in both."""
    one, other = without_slits(first), without_slits(second)
    return boundary_distance(align([(one, other)]).region(one), other)


def without_slits(region: Polygon) -> Polygon:
    """A region with its slits narrower than `SLIT_MM` closed."""
    return filled(region.buffer(SLIT_MM / 2).buffer(-SLIT_MM / 2))


def is_usable(own: BoundaryDistance) -> bool:
    """Whether a pocket of this outline could be cut as it is."""
    return own.p95_mm <= USABLE_P95_MM and own.max_mm <= USABLE_MAX_MM


def in_sigmas(result: Result, true: Polygon) -> tuple[tuple[float, ...], float | None]:
    """Errors of the vertices in units of what is stated there, and the median of the latter."""
    sigma = np.array(result.sigma_ring_mm, np.float64)
    points = np.asarray(result.region.exterior.coords)[:-1, :2]
    if len(sigma) != len(points) or not (sigma > 0).all():
        return (), None
    errors = shapely.distance(shapely.points(points), true.exterior) / sigma
    return tuple(np.round(errors, 3).tolist()), float(np.median(sigma))


def _covers_two(result: Result, tools: Sequence[Tool], placed: dict[int, Polygon]) -> bool:
    covered = [
        t
        for t in tools
        if not t.optional
        and result.region.intersection(placed[t.index]).area > MERGED_SHARE * placed[t.index].area
    ]
    return len(covered) > 1


def _explained(result: Result, tools: Sequence[Tool], placed: dict[int, Polygon]) -> bool:
    return any(
        result.region.intersection(placed[t.index]).area > ON_UNCOUNTED_SHARE * result.region.area
        for t in tools
    )


def _scale_error(
    results: Sequence[Result],
    tools: Sequence[Tool],
    pairs: Sequence[tuple[int, int]],
    placed: dict[int, Polygon],
) -> float | None:
    """Relative scale of the outlines: results over truth, less one; None with under two tools."""
    if len(pairs) < 2:
        return None
    both = [(filled(placed[tools[t].index]), filled(results[r].region)) for r, t in pairs]
    return scale_between(both) - 1


def camera_scale(found: View, true: View, hull_mm: Polygon) -> tuple[float, float]:
    """Relative scale error of the sheet as a camera puts it, and what no similarity explains.

    The points of a grid over ``hull_mm`` (truth's frame) are photographed by the true camera and
    laid on the sheet by the found one; one similarity is fitted.

    Returns
    -------
    (scale, rms)
        Found over true less one, and the root mean square distance left, mm.

    References
    ----------
    S. Umeyama, "Least-squares estimation of transformation parameters between two point
    patterns", IEEE PAMI 13 (1991).
    """
    grid = sample_boundary(hull_mm, STEP_MM)
    x0, y0, x1, y1 = hull_mm.bounds
    inner = np.stack(np.meshgrid(np.arange(x0, x1, STEP_MM), np.arange(y0, y1, STEP_MM)), -1)
    p = np.vstack([grid, inner.reshape(-1, 2)])
    q = found.to_sheet(true.to_photo(p))
    good = np.isfinite(q).all(axis=1)
    a, b = p[good] - p[good].mean(axis=0), q[good] - q[good].mean(axis=0)
    u, d, vt = np.linalg.svd(b.T @ a)
    flip = np.diag([1.0, np.sign(np.linalg.det(u @ vt))])
    scale = float(np.trace(np.diag(d) @ flip) / np.sum(a * a))
    rest = b - scale * a @ (u @ flip @ vt).T
    return scale - 1, float(np.sqrt(np.mean(np.sum(rest**2, axis=1))))
