"""Outlines of tools that are mirror images of themselves: both halves measure one shape.

Most hand tools are made symmetric about an axis. Where an outline and its mirror image agree
within what is known of either, the mean of the two is nearer to the tool than each: the errors of
one side (a shadow, a glare) are seldom those of the other. Where they do not agree, the tool is not
symmetric there, and the outline stays as it was seen: a bent tine stays bent.

The axis is found by iterated closest points (P. Besl, N. McKay, "A method for registration of 3-D
shapes", IEEE Transactions on Pattern Analysis and Machine Intelligence 14, 1992) between the ring
and its mirror image, distances along the normals weighed by their variances.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree
from scipy.stats import chi2
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.closed_rings import normals, resample, signed_area
from tracer.geometry.rings import largest_polygon
from tracer.model.outline import Cause, Outline
from tracer.parallax.shared.let_go import let_go

__all__ = ["Axis", "evened", "mirror_axis"]

Array = NDArray[np.float64]

SPACING_MM = 2.0  # of the points by which the axis is sought
NORMAL_SMOOTH = 1.5
REACH_MM = 6.0  # gaps count no more than this
FACING = 0.7  # cosine between the normals of a point and of what it is compared with
ROUNDS = 12
LEAST_SIGMA_MM = 0.05
TOGETHER_MM = 20.0  # errors along an edge go together over about as much
CHANCE = 0.05  # of symmetric tools whose halves differ by more than is let pass
FAR, FAR_SHARE = 3.0, 0.05  # deviations at which halves differ for sure; on how much of the edge
LET_GO = 3.0  # deviations at which a place is moved by a quarter of what the mean would move it
SMOOTH_MM = 2.0  # of the movement along the ring
#: parts of a deviation that both halves have in common
COMMON = (Cause.HEIGHT, Cause.CAMERA, Cause.SHEET, Cause.SIGHT)
LEAST_LENGTH_MM = 60.0  # of a ring; shorter ones hold too few independent places


@dataclass(frozen=True)
class Axis:
    """A mirror axis on the sheet: through ``at_mm``, turned by ``angle_rad`` from x.

    ``squares`` is the mean squared difference of the halves in deviations, ``limit`` the most that
    symmetric tools show but for one in twenty, ``far`` the share of the edge that differs for sure.
    """

    at_mm: tuple[float, float]
    angle_rad: float
    squares: float
    limit: float
    far: float

    @property
    def holds(self) -> bool:
        """Whether the outline may be the mirror image of itself."""
        return self.squares <= self.limit and self.far <= FAR_SHARE


def evened(outline: Outline) -> Outline:
    """The outline with the mean of its halves where they agree; itself where it has no axis."""
    ring = np.asarray(outline.region.exterior.coords, np.float64)[:-1, :2]
    sigma = np.asarray(outline.sigma_ring_mm, np.float64)
    if len(sigma) != len(ring) or not np.isfinite(sigma).all():
        return outline
    alone = sigma * _share_alone(outline)
    axis = mirror_axis(outline.region, alone)
    if axis is None or not axis.holds:
        return outline
    normal = _outward(ring)
    halves = _compared(ring, normal, alone, np.array(axis.at_mm), axis.angle_rad)
    own, other = halves.own_mm**2, halves.other_mm**2
    move = halves.weight * halves.gap_mm * own / (own + other)
    spacing = outline.region.exterior.length / len(ring)
    move = gaussian_filter1d(move, SMOOTH_MM / spacing, mode="wrap")
    region = _moved(outline.region, ring + move[:, None] * normal)
    if region is None:
        return outline
    # no surer than the surer half: what both err alike by, one's shift cannot take out of a pocket
    surer = np.where(halves.weight > 0.5, sigma * np.sqrt(np.minimum(other / own, 1.0)), sigma)
    share = float(np.sqrt(np.mean(surer**2) / np.mean(sigma**2)))
    return replace(
        outline,
        region=region,
        sigma_ring_mm=surer,
        sigma_mm=outline.sigma_mm * share,
        outer=_joined(outline.outer, region),
        inner=_within(outline.inner, region),
        budget_mm={cause: value * share for cause, value in outline.budget_mm.items()},
    )


def _share_alone(outline: Outline) -> float:
    """Share of the deviation that the two halves do not have in common, typical for the outline.

    A wrong height, a scale or a camera's place move both halves alike: they are no reason to take
    what differs between the halves for an error.
    """
    squares = {cause: value**2 for cause, value in outline.budget_mm.items()}
    total = sum(squares.values())
    common = sum(squares.get(cause, 0.0) for cause in COMMON)
    return float(np.sqrt(max(total - common, 0.0) / total)) if total > 0 else 1.0


def mirror_axis(region: Polygon, sigma_mm: Array) -> Axis | None:
    """The axis about which an outline is nearest to its own mirror image.

    Parameters
    ----------
    region
        The outline; its holes play no part.
    sigma_mm
        (N,) standard deviation of each exterior vertex along its normal.

    Returns
    -------
    Axis or None
        None for a ring too short to tell.
    """
    ring = np.asarray(region.exterior.coords, np.float64)[:-1, :2]
    if region.exterior.length < LEAST_LENGTH_MM:
        return None
    points, sigma = resample(ring, SPACING_MM, np.asarray(sigma_mm, np.float64))
    normal = _outward(points)
    middle = region.centroid
    start = np.array([middle.x, middle.y])
    _, ways = np.linalg.eigh(np.cov((points - start).T))
    # the halves of a symmetric tool measure its edge once: half the ring is independent
    degrees = max(region.exterior.length / (2 * TOGETHER_MM), 2.0)
    limit = float(chi2.ppf(1 - CHANCE, degrees) / degrees)
    found = [_axis(points, normal, sigma, start, way, limit) for way in ways.T]
    return min(found, key=lambda axis: axis.squares)


@dataclass(frozen=True, eq=False)
class _Halves:
    """A ring beside its mirror image, per point.

    ``gap_mm`` how far outside the mirror image lies, along the normal; ``own_mm`` and ``other_mm``
    the deviations of the two; ``facing`` whether they run alike; ``seen`` (N, 2) the place compared
    with.
    """

    gap_mm: Array
    own_mm: Array
    other_mm: Array
    facing: NDArray[np.bool_]
    seen: Array

    @property
    def variance(self) -> Array:
        """Of the gap (N,), mm^2."""
        return self.own_mm**2 + self.other_mm**2

    @property
    def squares(self) -> Array:
        """Squared gaps (N,) over their variance."""
        return self.gap_mm**2 / self.variance

    @property
    def weight(self) -> Array:
        """How far (N,) a gap counts: 1 where the two agree, 0 where they do not face each other."""
        return self.facing * let_go(self.squares / LET_GO**2)


def _outward(ring: Array) -> Array:
    """Normals (N, 2) of a ring that point out of it, whichever way it runs."""
    return normals(ring, NORMAL_SMOOTH) * (1 if signed_area(ring) > 0 else -1)


def _mirrored(points: Array, at: Array, angle: float) -> Array:
    across = np.array([-np.sin(angle), np.cos(angle)])
    return np.asarray(points - 2 * ((points - at) @ across)[:, None] * across, np.float64)


def _compared(ring: Array, normal: Array, sigma: Array, at: Array, angle: float) -> _Halves:
    image = _mirrored(ring, at, angle)
    turned = _mirrored(normal, np.zeros(2), angle)
    line = shapely.linearrings(image)
    near = shapely.line_interpolate_point(
        line, shapely.line_locate_point(line, shapely.points(ring))
    )
    seen = shapely.get_coordinates(near)
    nearest = np.asarray(cKDTree(image).query(seen)[1], np.intp)
    gap = np.clip(np.sum((seen - ring) * normal, axis=1), -REACH_MM, REACH_MM)
    facing = np.sum(turned[nearest] * normal, axis=1) > FACING
    own = np.maximum(sigma, LEAST_SIGMA_MM)
    return _Halves(gap, own, own[nearest], facing, seen)


def _axis(
    points: Array, normal: Array, sigma: Array, start: Array, way: Array, limit: float
) -> Axis:
    """Gauss-Newton on angle and offset from a first guess of the axis's direction."""
    angle, at = float(np.arctan2(way[1], way[0])), start.copy()
    for _ in range(ROUNDS):
        halves = _compared(points, normal, sigma, at, angle)
        weight = halves.weight / halves.variance
        across = np.array([-np.sin(angle), np.cos(angle)])
        arm = halves.seen - at
        # turning the axis by a turns the image by 2 a; moving it by b moves the image by 2 b
        jac = 2 * np.column_stack(
            [arm[:, 0] * normal[:, 1] - arm[:, 1] * normal[:, 0], normal @ across]
        )
        square = (jac * weight[:, None]).T @ jac + np.eye(2) * 1e-9
        turn, shift = np.linalg.solve(square, -(jac * weight[:, None]).T @ halves.gap_mm)
        angle += float(np.clip(turn, -0.1, 0.1))
        at = at + float(np.clip(shift, -5, 5)) * across
        if abs(turn) < 1e-5 and abs(shift) < 1e-3:
            break
    squares = _compared(points, normal, sigma, at, angle).squares
    return Axis(
        (float(at[0]), float(at[1])),
        angle,
        float(np.mean(np.minimum(squares, FAR**2))),
        limit,
        float(np.mean(squares > FAR**2)),
    )


def _moved(region: Polygon, ring: Array) -> Polygon | None:
    """The region with another exterior, vertex by vertex; None where that is no sound region."""
    moved = Polygon(ring, [hole.coords for hole in region.interiors])
    return moved if moved.is_valid else None


def _joined(bound: BaseGeometry | None, region: Polygon) -> BaseGeometry | None:
    """An outer bound that holds the region."""
    return None if bound is None else largest_polygon(shapely.union(bound, region))


def _within(bound: BaseGeometry | None, region: Polygon) -> BaseGeometry | None:
    """An inner bound within the region."""
    if bound is None:
        return None
    kept = largest_polygon(shapely.intersection(bound, region))
    return None if kept.is_empty else kept
