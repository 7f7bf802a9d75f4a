"""How far one outline is from another.

Vocabulary
----------
boundary distance
    Both boundaries are sampled at equal spacing; each sample's distance to the other boundary is
    taken. The *mean* is the mean of the two directions' means, so that a long boundary does not
    outweigh a short one; *p95* and *max* are over the samples of both.
alignment
    One rotation and one shift for a whole lay: no scale, no mirror. Tools that fit badly have
    little say in it.

Everything is in millimetres, in any one plane frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = [
    "BoundaryDistance",
    "Motion",
    "align",
    "boundary_distance",
    "filled",
    "hausdorff_mm",
    "iou",
    "sample_boundary",
    "scale_between",
    "width_mm",
]

Array = NDArray[np.float64]
G = TypeVar("G", bound=BaseGeometry)
SPACING_MM = 0.5  # finer than any edge error worth naming, coarse enough for whole lays
MIN_ROBUST_MM = 0.1  # residuals below this are never down-weighted: contour noise
ALIGN_ROUNDS = 40
ALIGN_DONE_MM = 1e-6  # step at which the alignment stops, at the rim of the lay


@dataclass(frozen=True)
class BoundaryDistance:
    """Distances between two boundaries, mm.

    ``signed_mm`` is the mean over the first boundary of the distance to the second, positive
    where the first lies outside the second: above 0 the first is too large.
    """

    mean_mm: float
    p95_mm: float
    max_mm: float
    signed_mm: float


@dataclass(frozen=True)
class Motion:
    """A motion in the plane: ``p -> scale * Rot(angle) p + shift``. ``scale`` is 1 if rigid.

    Examples
    --------
    >>> Motion(np.pi / 2, (1.0, 0.0)).points([[2.0, 0.0]]).round(12)
    array([[1., 2.]])
    """

    angle_rad: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0

    @property
    def matrix(self) -> Array:
        """The linear part (2, 2)."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return self.scale * np.array([[c, -s], [s, c]])

    def points(self, points_mm: ArrayLike) -> Array:
        """Move points (N, 2)."""
        return np.asarray(
            np.asarray(points_mm, np.float64).reshape(-1, 2) @ self.matrix.T + self.shift_mm
        )

    def region(self, region: G) -> G:
        """Move a geometry."""
        (a, b), (d, e) = self.matrix
        moved: G = affinity.affine_transform(region, [a, b, d, e, *self.shift_mm])
        return moved

    def then(self, other: Motion) -> Motion:
        """This motion followed by ``other``."""
        x, y = other.points([self.shift_mm])[0]
        return Motion(
            self.angle_rad + other.angle_rad, (float(x), float(y)), self.scale * other.scale
        )


def filled(region: BaseGeometry) -> Polygon:
    """Outer shape of a region: its largest part without holes."""
    parts = [g for g in getattr(region, "geoms", [region]) if isinstance(g, Polygon)]
    if not parts:
        return Polygon()
    return Polygon(max(parts, key=lambda g: g.area).exterior)


def sample_boundary(region: BaseGeometry, spacing_mm: float = SPACING_MM) -> Array:
    """Points (N, 2) along every ring of a region, at most ``spacing_mm`` apart, equal per ring."""
    rings = [
        ring
        for part in getattr(region, "geoms", [region])
        for ring in ([part.exterior, *part.interiors] if isinstance(part, Polygon) else [part])
        if not ring.is_empty
    ]
    samples = []
    for ring in rings:
        count = max(int(np.ceil(ring.length / spacing_mm)), 8)
        where = np.arange(count) * (ring.length / count)
        samples.append(shapely.get_coordinates(shapely.line_interpolate_point(ring, where)))
    return np.vstack(samples) if samples else np.empty((0, 2))


class _Boundary:
    """Nearest points on a boundary, through a tree of its straight pieces."""

    def __init__(self, region: BaseGeometry) -> None:
        lines = [
            line
            for part in getattr(region, "geoms", [region])
            for line in ([part.exterior, *part.interiors] if isinstance(part, Polygon) else [part])
        ]
        ends = [np.stack([c[:-1], c[1:]], axis=1) for c in map(shapely.get_coordinates, lines)]
        pieces = np.concatenate(ends) if ends else np.empty((0, 2, 2))
        self.start = pieces[:, 0]
        self.along = pieces[:, 1] - pieces[:, 0]
        self.tree = shapely.STRtree(np.asarray(shapely.linestrings(pieces), object))

    def nearest(self, points_mm: Array) -> tuple[Array, Array]:
        """Nearest boundary points (N, 2) and the right-hand unit normals (N, 2) there."""
        which = self.tree.query_nearest(shapely.points(points_mm), all_matches=False)[1]
        start, along = self.start[which], self.along[which]
        length2 = np.maximum(np.sum(along**2, axis=1), 1e-30)
        u = np.clip(np.sum((points_mm - start) * along, axis=1) / length2, 0.0, 1.0)
        normals = np.column_stack([along[:, 1], -along[:, 0]]) / np.sqrt(length2)[:, None]
        return start + u[:, None] * along, normals

    def distance(self, points_mm: Array) -> Array:
        return np.asarray(np.linalg.norm(points_mm - self.nearest(points_mm)[0], axis=1))


def boundary_distance(
    first: BaseGeometry, second: BaseGeometry, spacing_mm: float = SPACING_MM
) -> BoundaryDistance:
    """Two-way distances between the boundaries of two regions, holes included.

    Use `filled` on both to leave holes out.

    Raises
    ------
    ValueError
        One of the regions is empty.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> boundary_distance(box(0, 0, 40, 40), box(1, 1, 39, 39)).max_mm.__round__(3)
    1.414
    """
    if first.is_empty or second.is_empty:
        raise ValueError("an empty region has no boundary")
    a, b = sample_boundary(first, spacing_mm), sample_boundary(second, spacing_mm)
    there, back = _Boundary(second).distance(a), _Boundary(first).distance(b)
    inside = shapely.contains_xy(second, a[:, 0], a[:, 1])
    return BoundaryDistance(
        mean_mm=float((there.mean() + back.mean()) / 2),
        p95_mm=float(np.percentile(np.concatenate([there, back]), 95)),
        max_mm=float(max(there.max(), back.max())),
        signed_mm=float(np.mean(np.where(inside, -there, there))),
    )


def hausdorff_mm(
    first: BaseGeometry, second: BaseGeometry, spacing_mm: float = SPACING_MM
) -> float:
    """Largest distance from a point of one boundary to the other, to within the sampling.

    Too small by at most ``spacing_mm / 2``, since the distance to a boundary changes no faster
    than the point moves.
    """
    return boundary_distance(first, second, spacing_mm).max_mm


def iou(first: BaseGeometry, second: BaseGeometry) -> float:
    """Area of the intersection over the area of the union; 0 where both are empty."""
    union = first.union(second).area
    return float(first.intersection(second).area / union) if union > 0 else 0.0


def width_mm(region: BaseGeometry) -> tuple[float, float]:
    """Long and short side of the smallest rectangle around a region.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> width_mm(affinity.rotate(box(0, 0, 85.6, 53.98), 33))  # doctest: +ELLIPSIS
    (85.6..., 53.9...)
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(region))
    sides = np.linalg.norm(np.diff(corners[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def align(
    pairs: Sequence[tuple[BaseGeometry, BaseGeometry]],
    start: Motion | None = None,
    *,
    spacing_mm: float = 1.0,
) -> Motion:
    """Rotation and shift that lay the first region of each pair over its second.

    Each boundary sample is drawn to the nearest boundary point along that point's normal
    (iterated closest point, point to line), with Cauchy weights whose width follows the median
    residual: a tool that is wrong on one side does not pull the whole lay along.

    References
    ----------
    Y. Chen, G. Medioni, "Object modelling by registration of multiple range images", Image and
    Vision Computing 10 (1992).

    Raises
    ------
    ValueError
        ``pairs`` is empty.
    """
    return _fit(pairs, start or Motion(), spacing_mm, with_scale=False)


def scale_between(
    pairs: Sequence[tuple[BaseGeometry, BaseGeometry]],
    start: Motion | None = None,
    *,
    spacing_mm: float = 1.0,
) -> float:
    """Scale, second over first, that one robust similarity fit of the whole lay finds."""
    return _fit(pairs, start or Motion(), spacing_mm, with_scale=True).scale


def _fit(
    pairs: Sequence[tuple[BaseGeometry, BaseGeometry]],
    start: Motion,
    spacing_mm: float,
    *,
    with_scale: bool,
) -> Motion:
    if not pairs:
        raise ValueError("nothing to align")
    moving = [sample_boundary(a, spacing_mm) for a, _ in pairs]
    targets = [_Boundary(b) for _, b in pairs]
    motion = start
    for _ in range(ALIGN_ROUNDS):
        points = [motion.points(m) for m in moving]
        found = [t.nearest(p) for t, p in zip(targets, points, strict=True)]
        p = np.vstack(points)
        normal = np.vstack([n for _, n in found])
        residual = np.sum((np.vstack([q for q, _ in found]) - p) * normal, axis=1)
        width = max(1.4826 * float(np.median(np.abs(residual))), MIN_ROBUST_MM) * 2
        weight = 1 / (1 + (residual / width) ** 2)
        # a small turn about the centre keeps the normal equations well conditioned
        centre = p.mean(axis=0)
        arm = p - centre
        reach = max(float(np.linalg.norm(arm, axis=1).max()), 1.0)
        columns = [normal[:, 0], normal[:, 1], _cross(arm, normal) / reach]
        if with_scale:
            columns.append(np.sum(arm * normal, axis=1) / reach)
        design = np.column_stack(columns)
        step = np.linalg.lstsq(
            design * np.sqrt(weight)[:, None], residual * np.sqrt(weight), rcond=None
        )[0]
        turn = Motion(float(step[2] / reach), scale=1 + float(step[3] / reach) if with_scale else 1)
        dx, dy = centre + step[:2] - turn.points([centre])[0]
        motion = motion.then(Motion(turn.angle_rad, (float(dx), float(dy)), turn.scale))
        if float(np.abs(step).max()) < ALIGN_DONE_MM:
            break
    return motion


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
