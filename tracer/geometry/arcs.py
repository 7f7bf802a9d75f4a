"""From a dense ring to few lines and circular arcs within a tolerance.

Pieces run between *nodes*, a subset of the ring's own points, and never across a corner. From
each node the longest line and the longest arc are found by doubling and halving, for all nodes at
once; then dynamic programming picks the cheapest chain of pieces round the ring.

An arc runs through both end nodes; its centre is the least-squares solution of
x^2 + y^2 - L x - 2 k y = 0 over the ring's points between them, in the frame of the chord (start
at 0, end at L on the x axis, centre at (L / 2, k)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon

from tracer.geometry.loops import flatten
from tracer.geometry.rings import dense_ring, find_corners
from tracer.geometry.tangent_arcs import TANGENT_SLACK, smooth_chain
from tracer.model.drawing import Loop

__all__ = ["TANGENT_SLACK", "ArcFit", "fit_arcs"]

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: prices of pieces: an arc must save more than a third of a line to be worth it
_LINE_COST, _ARC_COST = 1.0, 1.4
#: a kink where the ring itself runs smoothly: full price from this angle on, per piece end
_KINK_COST, _KINK_FULL_RAD, _KINK_FREE_RAD = 0.4, math.radians(10.0), math.radians(3.0)
#: points per piece looked at while searching; the final pieces are checked at every point
_PROBES = 24
#: share of the longest reach offered as alternatives to the dynamic programme
_SHARES = (1.0, 0.9, 0.75, 0.5, 0.25)


@dataclass(frozen=True, eq=False)
class ArcFit:
    """A fitted loop and how far it lies from the ring's points at most, in mm."""

    loop: Loop
    max_distance_mm: float


@dataclass(frozen=True, eq=False)
class _Ring:
    """Dense points twice round as complex numbers, x + i y: turning is one multiplication."""

    points: NDArray[np.complex128]
    count: int
    tolerance: float

    def chord_frame(self, start: Index, end: Index, rows: Index) -> tuple[Array, Array, Array]:
        """x (M, P), y (M, P) of sample rows (M, P) in the frame of each chord; its length (P,)."""
        a = self.points[start]
        chord = self.points[end] - a
        span = np.abs(chord)
        turn = np.conj(chord) / np.maximum(span, 1e-12)
        placed = (self.points[rows] - a) * turn
        return placed.real, placed.imag, span


def _within(x: Array, span: Array, tolerance: float) -> NDArray[np.bool_]:
    """Whether no point of a piece lies before or behind its chord."""
    return np.asarray((x.min(axis=0) >= -tolerance) & (x.max(axis=0) <= span + tolerance))


def _line_fit(x: Array, y: Array, span: Array, tolerance: float) -> Array:
    """Largest distance (P,) from the chords; inf where impossible."""
    off = np.maximum(y.max(axis=0), -y.min(axis=0))
    return np.where(_within(x, span, tolerance), off, np.inf)


def _arc_fit(x: Array, y: Array, span: Array, tolerance: float) -> tuple[Array, Array]:
    """Largest distance (P,) from the arcs, inf where impossible; and their bulges (P,)."""
    with np.errstate(all="ignore"):
        yy = y * y
        k = (y * (x * x - span * x + yy)).sum(axis=0) / (2 * yy.sum(axis=0))
        radius = np.sqrt(span * span / 4 + k * k)
        across = x - span / 2
        up = y - k
        away = np.sqrt(across * across + up * up)
        off = np.maximum(away.max(axis=0) - radius, radius - away.min(axis=0))
        top, bottom = y.max(axis=0), y.min(axis=0)
        side = np.where(top >= -bottom, 1.0, -1.0)
        height = np.maximum(top, -bottom)
        sagitta = radius - np.abs(k)
        # at most half a turn: the centre lies on the chord or on the other side of it; no point
        # dips below the chord, where the circle's far side would be mistaken for the arc; and an
        # arc through nothing but its ends may stand out anywhere: its top must be near a point
        possible = (
            _within(x, span, tolerance)
            & (side * k <= 1e-9)
            & (np.where(side > 0, -bottom, top) <= tolerance)
            & (height > tolerance / 50)
            & (np.abs(sagitta - height) <= tolerance)
            & np.isfinite(off)
            & (span > 1e-9)
        )
        bulge = np.where(possible, -side * 2 * sagitta / span, 0.0)
    return np.where(possible, off, np.inf), bulge


_STEPS = np.linspace(0.0, 1.0, _PROBES)[:, None]


def _probed(ring: _Ring, start: Index, end: Index) -> tuple[Array, Array, Array]:
    """Evenly chosen points of each piece, in the frame of its chord."""
    rows = np.rint(start + _STEPS * (end - start)).astype(np.int64)
    return ring.chord_frame(start, end, rows)


def _distance(ring: _Ring, start: Index, end: Index, *, arcs: bool) -> Array:
    """Largest distance (P,) of the points looked at from lines or arcs."""
    x, y, span = _probed(ring, start, end)
    if arcs:
        return _arc_fit(x, y, span, ring.tolerance)[0]
    return _line_fit(x, y, span, ring.tolerance)


def _reach(ring: _Ring, nodes: Index, limit: Index, *, arcs: bool) -> Index:
    """Farthest end, as a count of nodes ahead (>= 1), for lines or arcs from each node."""
    n = len(nodes) // 2
    here = np.arange(n)
    good = np.ones(n, np.int64)
    bad = limit + 1

    def holds(step: Index, asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
        answer = np.zeros(n, bool)
        at = here[asked]
        ends = at + np.minimum(step, limit)[asked]
        answer[asked] = _distance(ring, nodes[at], nodes[ends], arcs=arcs) <= ring.tolerance
        return answer

    step, alive = np.minimum(np.full(n, 4), limit), limit > 1
    misses = np.zeros(n, np.int64)
    while alive.any():
        ok = holds(step, alive)
        good = np.where(ok, np.minimum(step, limit), good)
        misses = np.where(alive & ~ok, misses + 1, np.where(ok, 0, misses))
        bad = np.where(alive & ~ok & (misses == 1), np.minimum(step, limit), bad)
        # one miss may be a noisy node: look a little farther before halving
        alive &= (step < limit) & (misses < 2)
        step = np.where(misses > 0, step + np.maximum(step // 4, 1), step * 2)
    bad = np.minimum(np.maximum(bad, good + 1), limit + 1)
    while (open_ := bad - good > 1).any():
        middle = (good + bad) // 2
        ok = holds(middle, open_)
        good = np.where(ok, middle, good)
        bad = np.where(ok | ~open_, bad, middle)
    return good


def _direction_gap(a: Array, b: Array) -> Array:
    return np.abs((a - b + math.pi) % (2 * math.pi) - math.pi)


def _tangents(ring: _Ring) -> Array:
    """Direction (count,) of the ring at each of its points, over two points each way."""
    p = ring.points[: ring.count]
    return np.asarray(np.angle(np.roll(p, -2) - np.roll(p, 2)), np.float64)


@dataclass(frozen=True, eq=False)
class _Edges:
    """Candidate pieces: from node, number of nodes ahead, price and bulge, grouped by start."""

    ahead: Index
    cost: Array
    bulge: Array


def _edges(ring: _Ring, nodes: Index, is_corner: NDArray[np.bool_], limit: Index) -> _Edges:
    n = len(nodes) // 2
    ahead_parts, arc_flags = [], []
    for as_arcs in (False, True):
        reach = _reach(ring, nodes, limit, arcs=as_arcs)
        for share in _SHARES:
            ahead_parts.append(np.maximum(np.floor(reach * share).astype(np.int64), 1))
            arc_flags.append(as_arcs)
    ahead = np.stack(ahead_parts, axis=1)
    arcs = np.array(arc_flags, bool)
    start = np.repeat(np.arange(n), ahead.shape[1])
    end = start + ahead.ravel()
    x, y, span = _probed(ring, nodes[start], nodes[end])
    line = _line_fit(x, y, span, ring.tolerance)
    arc, bulge = _arc_fit(x, y, span, ring.tolerance)
    as_arc = np.tile(arcs, n)
    off = np.where(as_arc, arc, line)
    cost = np.where(as_arc, _ARC_COST, _LINE_COST)
    bulge = np.where(as_arc, bulge, 0.0)
    chord = ring.points[nodes[end]] - ring.points[nodes[start]]
    heading = np.angle(chord)
    half = 2 * np.arctan(bulge)
    tangent = _tangents(ring)
    for node, angle in ((start, heading - half), (end % n, heading + half)):
        kink = _direction_gap(angle, tangent[nodes[node]])
        extra = np.clip((kink - _KINK_FREE_RAD) / (_KINK_FULL_RAD - _KINK_FREE_RAD), 0, 1)
        cost = cost + np.where(is_corner[node], 0.0, _KINK_COST * extra)
    # among pieces of equal price the one that lies closer wins
    cost = cost + 0.05 * np.minimum(off / ring.tolerance, 1)
    cost = np.where(off <= ring.tolerance, cost, np.where(end - start == 1, _LINE_COST + 1, np.inf))
    bulge = np.where(off <= ring.tolerance, bulge, 0.0)
    shape = ahead.shape
    return _Edges(ahead, cost.reshape(shape), bulge.reshape(shape))


def _cheapest(edges: _Edges, first: int) -> tuple[float, list[tuple[int, int, float]]]:
    """Cheapest chain once round from a node: price, and pieces (node, nodes ahead, bulge)."""
    n = len(edges.ahead)
    best = np.full(2 * n + 1, np.inf)
    best[first + n] = 0.0
    choice = np.zeros(n, np.int64)
    for i in range(first + n - 1, first - 1, -1):
        row = i % n
        ends = i + edges.ahead[row]
        total = np.where(
            ends <= first + n, edges.cost[row] + best[np.minimum(ends, first + n)], np.inf
        )
        pick = int(total.argmin())
        best[i], choice[row] = total[pick], pick
    pieces, i = [], first
    while i < first + n:
        row = i % n
        pick = choice[row]
        pieces.append((row, int(edges.ahead[row, pick]), float(edges.bulge[row, pick])))
        i += pieces[-1][1]
    return float(best[first]), pieces


def _exact(ring: _Ring, start: int, end: int, bulge: float) -> tuple[float, float]:
    """Distance at *every* point of one piece, and its bulge refitted to them."""
    rows = np.arange(start, end + 1)[:, None]
    x, y, span = ring.chord_frame(np.array([start]), np.array([end]), rows)
    if bulge:
        off, fitted = _arc_fit(x, y, span, ring.tolerance)
        return float(off[0]), float(fitted[0])
    return float(_line_fit(x, y, span, ring.tolerance)[0]), 0.0


def _settle(
    ring: _Ring, nodes: Index, i: int, ahead: int, bulge: float
) -> list[tuple[int, float, float]]:
    """Vertices (point index, bulge, distance) of a piece, halved until every point agrees."""
    start, end = int(nodes[i]), int(nodes[i + ahead])
    off, fitted = _exact(ring, start, end, bulge)
    if off <= ring.tolerance:
        return [(start % ring.count, fitted, off)]
    if ahead == 1:
        if end - start == 1:
            return [(start % ring.count, 0.0, 0.0)]
        return [(k % ring.count, 0.0, 0.0) for k in range(start, end)]
    half = ahead // 2
    return _settle(ring, nodes, i, half, bulge) + _settle(
        ring, nodes, i + half, ahead - half, bulge
    )


def _circle(points: Array, tolerance: float) -> ArcFit | None:
    """The whole ring as one circle (least squares, algebraic), where it is one."""
    centre = points.mean(axis=0)
    q = points - centre
    solution = np.linalg.lstsq(
        np.column_stack([2 * q, np.ones(len(q))]), (q * q).sum(axis=1), rcond=None
    )[0]
    middle = solution[:2]
    radius = math.sqrt(max(solution[2] + middle @ middle, 0.0))
    off = float(np.abs(np.hypot(*(q - middle).T) - radius).max())
    if radius == 0 or off > tolerance or off > 0.2 * radius:
        return None
    x, y = centre + middle
    return ArcFit(Loop.circle(float(x), float(y), radius), off)


def fit_arcs(points_mm: Array, tolerance_mm: float = 0.1, *, tangent: bool = False) -> ArcFit:
    """Fewest lines and arcs that stay within a tolerance of a ring.

    Parameters
    ----------
    points_mm
        (N, 2) ring, first point not repeated. The sense of rotation is kept.
    tolerance_mm
        Largest distance of the ring's points (and of points filled in between them) from the
        loop. Below about 1.5 times the ring's own noise the number of pieces explodes.
    tangent
        Let pieces meet without a kink where the ring has no corner; points may then lie off by
        half the tolerance more.

    Returns
    -------
    ArcFit
        The loop is never self-crossing where the ring is not: the tolerance is tightened, and in
        the end the simplified ring itself returned, rather than that.

    Examples
    --------
    >>> t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    >>> fit = fit_arcs(14 * np.column_stack([np.cos(t), np.sin(t)]))
    >>> len(fit.loop.vertices)
    2
    """
    points = np.asarray(points_mm, np.float64)
    for tighter in (1.0, 0.5, 0.25):
        fit = _fit_once(points, tolerance_mm * tighter, tangent)
        outline = flatten(fit.loop, tolerance_mm / 10)
        if len(outline) >= 3 and Polygon(outline).is_valid:
            return fit
    simple = LinearRing(points).simplify(tolerance_mm / 4)
    return ArcFit(Loop.polygon(np.asarray(simple.coords)[:-1]), tolerance_mm / 4)


def _fit_once(points: Array, tolerance: float, tangent: bool) -> ArcFit:
    dense = dense_ring(points, tolerance)
    if (whole := _circle(dense, tolerance)) is not None:
        if Polygon(points).exterior.is_ccw:
            return whole
        v = whole.loop.vertices
        return ArcFit(Loop(np.column_stack([v[:, :2], -v[:, 2]])), whole.max_distance_mm)
    count = len(dense)
    flat = dense[:, 0] + 1j * dense[:, 1]
    ring = _Ring(np.concatenate([flat, flat, flat[:1]]), count, tolerance)
    corners = find_corners(dense)
    nodes, is_corner = _choose_nodes(dense, corners, tolerance)
    n = len(nodes)
    twice = np.concatenate([nodes, nodes + count, nodes[:1] + 2 * count])
    limit = _limits(is_corner, n)
    edges = _edges(ring, twice[: 2 * n], is_corner, limit)
    first = int(np.argmax(is_corner)) if is_corner.any() else 0
    _, pieces = _cheapest(edges, first)
    if not is_corner.any():
        # without a corner the first start was arbitrary: start again at a joint found by it
        _, again = _cheapest(edges, pieces[len(pieces) // 2][0])
        pieces = min(pieces, again, key=len)
    vertices, starts, worst = [], [], 0.0
    for i, ahead, bulge in pieces:
        for at, k, off in _settle(ring, twice, i, ahead, bulge):
            vertices.append((*dense[at], k))
            starts.append(at)
            worst = max(worst, off)
    if len(vertices) < 3 and not any(v[2] for v in vertices):
        raise_points = np.asarray(LinearRing(points).simplify(tolerance / 4).coords)[:-1]
        return ArcFit(Loop.polygon(raise_points), tolerance / 4)
    chain = np.array(vertices)
    if tangent and len(chain) > 2:
        first = int(np.argmin(starts))
        order = np.roll(np.arange(len(chain)), -first)
        smooth = smooth_chain(chain[order], np.array(starts)[order], dense, corners, tolerance)
        if smooth is not None:
            return ArcFit(Loop(smooth[0]), smooth[1])
    return ArcFit(Loop(chain), worst)


def _limits(is_corner: NDArray[np.bool_], n: int) -> Index:
    """How many nodes ahead a piece from each node may end: the next corner, half-way round."""
    farthest = np.full(n, max(n // 2, 1), np.int64)
    at = np.flatnonzero(is_corner)
    if len(at):
        here = np.arange(n)
        following = np.concatenate([at, at + n])[np.searchsorted(at, here, side="right")]
        farthest = np.minimum(farthest, following - here)
    return farthest


def _choose_nodes(
    dense: Array, corners: Index, tolerance: float
) -> tuple[Index, NDArray[np.bool_]]:
    """Node indices: bends (Douglas-Peucker at a quarter of the tolerance), corners, and fill."""
    simple = np.asarray(LinearRing(dense).simplify(tolerance / 4).coords)[:-1]
    lookup = {tuple(p): i for i, p in enumerate(dense.tolist())}
    bends = [lookup[tuple(p)] for p in simple.tolist() if tuple(p) in lookup]
    stride = max(4, len(dense) // 400)
    chosen = np.unique(np.concatenate([bends, corners, np.arange(0, len(dense), stride)]))
    nodes = chosen.astype(np.int64)
    return nodes, np.isin(nodes, corners)
