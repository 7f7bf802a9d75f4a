"""Gaps read between the real tool and the printed wall: marks to read them at, and what they tell.

Round a tool's outline stand lettered marks, at even distances from its first corner on. A gap
read at one of them says where the tool's true edge lies there. The errors of the outline are a
Gaussian field along the edge (`tracer.panel.pocket.edge_errors`); given readings with noise of
their own, the expected edge and what is left of its deviation follow by conditioning,

    m = K_r (K_rr + s^2 I)^-1 e        V = k - K_r (K_rr + s^2 I)^-1 K_r^T

with e the errors read, K_rr their prior covariances and K_r those with every point of the edge.

References
----------
C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press (2006),
equations 2.23 and 2.24.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import multivariate_normal
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.closed_rings import along, normals, runs
from tracer.geometry.rings import largest_polygon, nearest_points
from tracer.model.outline import Outline
from tracer.model.reading import EdgeMark, EdgeReading
from tracer.panel.pocket.edge_errors import (
    EVIDENCE,
    EdgeErrors,
    errors_of,
    evidence_of,
    ring_sigma,
)

__all__ = [
    "FAR_MM",
    "READING_MM",
    "edge_marks",
    "gap_at",
    "marks_on_wall",
    "shifted",
    "with_readings",
]

Array = NDArray[np.float64]

#: standard deviation of a gap read by eye on paper, the tool's resting place included: own choice
READING_MM = 0.4
#: letters that are not taken for numbers
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
#: marks stand about this far apart, and there are at least this many
APART_MM, LEAST = 35.0, 6
#: factors of a tool that are weighed against each other
_FACTORS = 15
#: the edge is followed in steps of this
STEP_MM = 2.0
#: a wall is looked for this far to either side of a mark
REACH_MM = 40.0
#: a place farther from the outline than this was read at another outline
FAR_MM = 12.0


def edge_marks(outline: Polygon) -> tuple[EdgeMark, ...]:
    """Marks round an outline, from its first corner on; they move with the outline.

    Examples
    --------
    >>> [m.letter for m in edge_marks(Polygon([(0, 0), (60, 0), (60, 30), (0, 30)]))]
    ['A', 'B', 'C', 'D', 'E', 'F']
    """
    ring = outline.exterior
    count = int(np.clip(round(ring.length / APART_MM), LEAST, len(LETTERS)))
    side = 1.0 if ring.is_ccw else -1.0
    marks = []
    # half a step in: a corner has no direction of its own
    for k, at in enumerate((np.arange(count) + 0.5) * ring.length / count):
        a, here, b = (
            ring.interpolate((at + d) % ring.length) for d in (-STEP_MM / 2, 0.0, STEP_MM / 2)
        )
        along = np.array([b.x - a.x, b.y - a.y])
        along /= max(float(np.hypot(*along)), 1e-12)
        out = float(side * along[1]), float(-side * along[0])
        marks.append(EdgeMark(LETTERS[k], here.x, here.y, *out))
    return tuple(marks)


def gap_at(mark: EdgeMark, wall: Polygon) -> float:
    """How far a wall stands outside the outline at a mark, along its normal; mm, signed."""
    ends = [(mark.x_mm + d * mark.out_x, mark.y_mm + d * mark.out_y) for d in (-REACH_MM, REACH_MM)]
    crossed = LineString(ends).intersection(wall.exterior)
    found = [
        (p.x - mark.x_mm) * mark.out_x + (p.y - mark.y_mm) * mark.out_y for p in _points(crossed)
    ]
    if not found:  # beside the end of a smaller wall
        place = Point(mark.x_mm, mark.y_mm)
        return float(wall.exterior.distance(place)) * (1.0 if wall.contains(place) else -1.0)
    return float(min(found, key=abs))


def _points(shape: BaseGeometry) -> list[Point]:
    parts = [p for p in shapely.get_parts(shape).tolist() if not p.is_empty]
    return [p if isinstance(p, Point) else p.centroid for p in parts]


def marks_on_wall(outline: Polygon, wall: Polygon) -> tuple[EdgeMark, ...]:
    """The marks of an outline where they stand on its wall: there the gap is read."""
    found = []
    for mark in edge_marks(outline):
        gap = gap_at(mark, wall)
        found.append(
            replace(mark, x_mm=mark.x_mm + gap * mark.out_x, y_mm=mark.y_mm + gap * mark.out_y)
        )
    return tuple(found)


def with_readings(
    outline: Outline, readings: Sequence[EdgeReading], errors: EdgeErrors | None = None
) -> tuple[Outline, tuple[EdgeReading, ...]]:
    """The outline that is expected given readings, with the deviation that is left.

    Returns
    -------
    (outline, ignored)
        Readings that lie too far from the outline to have been made at it are left out.

    Raises
    ------
    TracerError
        As `ring_sigma`.
    """
    ring = outline.region.exterior
    used = [r for r in readings if ring.distance(Point(r.x_mm, r.y_mm)) <= FAR_MM]
    ignored = tuple(r for r in readings if r not in used)
    if not used:
        return outline, ignored
    model = errors or errors_of(outline)
    points, run, stated = _dense(outline)
    outward = normals(points) if ring.is_ccw else -normals(points)
    deviation = model.deviation_mm(stated)
    at = np.array([ring.project(Point(r.x_mm, r.y_mm)) for r in used])
    there = np.array([(r.x_mm, r.y_mm) for r in used])
    nearest = np.array([np.argmin(np.hypot(*(points - p).T)) for p in there])
    read = ((there - points[nearest]) * outward[nearest]).sum(axis=1)
    own = np.interp(at, run, deviation, period=ring.length)
    among = _alike(at, at, ring.length, model) * own[:, None] * own
    across = _alike(run, at, ring.length, model) * deviation[:, None] * own
    move, left = _conditioned(read, among, across, deviation, model.spread)
    moved = points + move[:, None] * outward
    # what was tried on its wall lacks no part, and its factor is known better
    tried = EVIDENCE[evidence_of(outline)] if errors is None else model
    known = tried.stated_mm(left / math.exp(tried.spread**2))
    return replace(_remade(outline, moved, known), in_doubt=False), ignored


def shifted(outline: Outline, out_mm: float) -> Outline:
    """The outline with every edge moved outward, rims of holes into the hole; its doubt stays."""
    if not out_mm:
        return outline
    region = outline.region.buffer(out_mm, join_style="mitre", mitre_limit=2.0)
    region = shapely.orient_polygons(largest_polygon(region))
    nearest = nearest_points(
        shapely.get_coordinates(outline.region.exterior)[:-1],
        shapely.get_coordinates(region.exterior)[:-1],
    )
    return replace(outline, region=region, sigma_ring_mm=ring_sigma(outline)[nearest])


def _conditioned(
    read: Array, among: Array, across: Array, deviation: Array, spread: float
) -> tuple[Array, Array]:
    """Expected move (N,) and root mean square deviation left (N,), over the tool's factor.

    The factor is not known: each of an even set of them is weighed by how likely the readings are
    with it, and the results are mixed (law of total variance).
    """
    factors = np.exp(spread * ndtri((np.arange(_FACTORS) + 0.5) / _FACTORS))
    weights, moves, squares = [], [], []
    for k in factors:
        whole = k**2 * among + READING_MM**2 * np.eye(len(read))
        weights.append(multivariate_normal.logpdf(read, cov=whole))
        gain = np.linalg.solve(whole, k**2 * across.T).T
        moves.append(gain @ read)
        variance = (k * deviation) ** 2 - (gain * k**2 * across).sum(axis=1)
        squares.append(np.maximum(variance, (0.1 * k * deviation) ** 2) + moves[-1] ** 2)
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    move = share @ np.array(moves)
    return move, np.sqrt(np.maximum(share @ np.array(squares) - move**2, 0.0))


def _dense(outline: Outline) -> tuple[Array, Array, Array]:
    """Points (N, 2) of the outer ring, its own corners among them; run (N,); stated sigma (N,)."""
    corners = shapely.get_coordinates(outline.region.exterior)
    run = runs(corners[:-1])
    points = shapely.get_coordinates(outline.region.exterior.segmentize(STEP_MM))[:-1]
    at = along(points)
    return points, at, np.interp(at, run[:-1], ring_sigma(outline), period=float(run[-1]))


def _alike(a: Array, b: Array, length: float, model: EdgeErrors) -> Array:
    """Correlation of the model's errors (A, B) at runs a and b."""
    apart = np.abs(a[:, None] - b)
    apart = np.minimum(apart, length - apart)
    return model.alike(apart)


def _remade(outline: Outline, ring: Array, sigma: Array) -> Outline:
    """The outline with another outer ring; where moving makes it cross itself, the soundest part.

    Corners of the sound part take the deviation of the nearest corner moved.
    """
    region = Polygon(ring, [h.coords for h in outline.region.interiors])
    if not region.is_valid:
        region = largest_polygon(region.buffer(0))
        corners = shapely.get_coordinates(region.exterior)[:-1]
        tree = shapely.STRtree(np.asarray(shapely.points(ring), object))
        sigma = sigma[tree.nearest(np.asarray(shapely.points(corners), object))]
    return replace(
        outline, region=region, sigma_ring_mm=sigma, sigma_mm=float(np.median(sigma)), budget_mm={}
    )
