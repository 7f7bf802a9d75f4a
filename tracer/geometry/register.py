"""Laying one outline over another, and finding a tool's own directions.

Vocabulary
----------
long axis
    The line through the centroid about which the area's second moment is smallest.
handle end
    The end of the long axis with the larger mean width over its outer 30 %. Where the two ends
    are nearly equal there is none.
turned, mirrored
    Half a turn about the centre, and the tool lying on its other face.

All lengths in mm, angles in radians, counter-clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon

from tracer.geometry.compare import Motion, align, boundary_distance, filled

__all__ = [
    "Ends",
    "Registration",
    "ends_of",
    "hanging_point",
    "long_axis",
    "mirrored_region",
    "point_motion",
    "register",
]

Array = NDArray[np.float64]

END_SHARE = 0.3  # of the length: long enough to average over a jaw, short enough to leave a shank
SLICES = 12  # width samples over an end
HANDLE_RATIO = 1.3  # below this the two ends are taken for equal
CLEAR_RATIO = 0.6  # the best pose must fit this much better than the next to be believed
NOISE_MM = 0.05  # distances below this tell nothing about which pose is right
ROUND_SHARE = 0.15  # difference of the principal moments below which an outline has no long axis


@dataclass(frozen=True)
class Ends:
    """The two ends of a tool along its long axis.

    Attributes
    ----------
    angle_rad
        Direction from the handle end to the other, or of the long axis where there is no handle
        end (then in (-pi/2, pi/2]).
    handle_mm
        Point on the axis at the outline's extent on the handle side (or on the side against
        ``angle_rad``).
    tip_mm
        The same at the other end.
    centre_mm
        Centroid.
    ratio
        Mean width of the wider end over the narrower, at least 1.
    """

    angle_rad: float
    handle_mm: tuple[float, float]
    tip_mm: tuple[float, float]
    centre_mm: tuple[float, float]
    ratio: float

    @property
    def has_handle(self) -> bool:
        """The ends differ enough to tell them apart."""
        return self.ratio >= HANDLE_RATIO


@dataclass(frozen=True)
class Registration:
    """How one outline lies best over another.

    Attributes
    ----------
    motion
        Moves the first region (mirrored before it if ``mirrored``, about its centroid's vertical)
        onto the second.
    mirrored
        The mirror image fits clearly better.
    turned_ratio, mirror_ratio
        Mean distance of this pose over that of the pose turned by half, and over the best
        mirrored (or unmirrored) one: near 1 where the outline does not tell them apart.
    mean_mm, max_mm
        Boundary distances in this pose.
    """

    motion: Motion
    mirrored: bool
    turned_ratio: float
    mirror_ratio: float
    mean_mm: float
    max_mm: float

    @property
    def turn_is_clear(self) -> bool:
        """The outline itself tells which way round it lies."""
        return self.turned_ratio < CLEAR_RATIO


def _moments(region: Polygon) -> tuple[Array, Array]:
    """Centroid and central second moments of the area (2, 2), over the area.

    Green's theorem on the boundary; R. Bourke, "Calculating the area and centroid of a polygon"
    (1988) gives the first moments, the second follow alike.
    """
    total, first, second = 0.0, np.zeros(2), np.zeros((2, 2))
    origin = np.asarray(region.centroid.coords[0])
    for index, ring in enumerate((region.exterior, *region.interiors)):
        p = shapely.get_coordinates(ring) - origin
        a, b = p[:-1], p[1:]
        cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
        sign = 1.0 if (index == 0) == (cross.sum() > 0) else -1.0
        total += sign * cross.sum() / 2
        first += sign * ((a + b) * cross[:, None]).sum(axis=0) / 6
        pairs = (
            np.einsum("n,ni,nj->ij", cross, a, a)
            + np.einsum("n,ni,nj->ij", cross, b, b)
            + (np.einsum("n,ni,nj->ij", cross, a, b) + np.einsum("n,ni,nj->ij", cross, b, a)) / 2
        )
        second += sign * pairs / 12
    mean = first / total
    return origin + mean, second / total - np.outer(mean, mean)


def long_axis(region: Polygon) -> tuple[tuple[float, float], float, float]:
    """Centroid, direction in (-pi/2, pi/2], and elongation of a region.

    Elongation is 1 - (small / large principal moment): 0 for a disc, near 1 for a rod.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> centre, angle, share = long_axis(affinity.rotate(box(0, 0, 160, 30), 30))
    >>> round(float(np.degrees(angle)), 9), round(share, 4)
    (30.0, 0.9648)
    """
    centre, moments = _moments(region)
    values, vectors = np.linalg.eigh(moments)
    axis = vectors[:, 1]
    angle = float(np.arctan2(axis[1], axis[0]))
    if angle <= -np.pi / 2:
        angle += np.pi
    elif angle > np.pi / 2:
        angle -= np.pi
    return (float(centre[0]), float(centre[1])), angle, float(1 - values[0] / values[1])


def ends_of(region: Polygon) -> Ends:
    """The two ends of a tool along its long axis."""
    outer = filled(region)
    centre, angle, _ = long_axis(outer)
    level = affinity.rotate(outer, -angle, origin=centre, use_radians=True)
    x0, y0, x1, y1 = level.bounds

    def mean_width(start: float, stop: float) -> float:
        widths = [
            level.intersection(LineString([(x, y0 - 1), (x, y1 + 1)])).length
            for x in start + (np.arange(SLICES) + 0.5) * (stop - start) / SLICES
        ]
        return float(np.mean(widths))

    reach = END_SHARE * (x1 - x0)
    left, right = mean_width(x0, x0 + reach), mean_width(x1 - reach, x1)
    ratio = max(left, right) / max(min(left, right), 1e-9)
    flip = right > left and ratio >= HANDLE_RATIO
    along = np.array([np.cos(angle), np.sin(angle)])
    low, high = (np.asarray(centre) + along * (x - centre[0]) for x in (x0, x1))
    handle, tip = (high, low) if flip else (low, high)
    return Ends(
        angle_rad=angle + (np.pi if flip else 0.0),
        handle_mm=(float(handle[0]), float(handle[1])),
        tip_mm=(float(tip[0]), float(tip[1])),
        centre_mm=centre,
        ratio=ratio,
    )


def mirrored_region(region: Polygon) -> Polygon:
    """The region as seen from its other face: x -> -x about its centroid."""
    x = region.centroid.x
    flipped: Polygon = affinity.affine_transform(region, [-1, 0, 0, 1, 2 * x, 0])
    return shapely.geometry.polygon.orient(flipped, 1.0)


def register(first: Polygon, second: Polygon) -> Registration:
    """Rigid motion that lays ``first`` best over ``second``, from all four starting poses.

    Each start (long axes laid over one another, both ways round, both faces) is refined by
    robust point-to-line alignment. An outline without a long axis (a socket, a roll) starts from
    eight directions instead of two.
    """
    poses: dict[bool, list[tuple[float, float, Motion]]] = {}
    centre_second, angle_second, elongation = long_axis(filled(second))
    starts = 2 if elongation > ROUND_SHARE else 8
    for mirror in (False, True):
        moving = mirrored_region(first) if mirror else first
        centre, angle, _ = long_axis(filled(moving))
        found = []
        for k in range(starts):
            turn = angle_second - angle + 2 * np.pi * k / starts
            x, y = Motion(turn).points([centre])[0]
            start = Motion(turn, (centre_second[0] - float(x), centre_second[1] - float(y)))
            motion = align([(moving, second)], start)
            distance = boundary_distance(motion.region(moving), second, 1.0)
            found.append((distance.mean_mm, distance.max_mm, motion))
        poses[mirror] = sorted(found, key=lambda f: f[0])
    plain, flipped = poses[False][0], poses[True][0]
    mirror = _ratio(flipped[0], plain[0]) < CLEAR_RATIO
    best = flipped if mirror else plain
    turned = _turned(poses[mirror], best)
    other = plain if mirror else flipped
    return Registration(
        motion=best[2],
        mirrored=mirror,
        turned_ratio=_ratio(best[0], turned),
        mirror_ratio=_ratio(best[0], other[0]),
        mean_mm=best[0],
        max_mm=best[1],
    )


def _ratio(distance_mm: float, other_mm: float) -> float:
    return (distance_mm + NOISE_MM) / (other_mm + NOISE_MM)


def _turned(found: list[tuple[float, float, Motion]], best: tuple[float, float, Motion]) -> float:
    """Mean distance of the pose nearest to half a turn from the best."""

    def off_half_turn(motion: Motion) -> float:
        difference = motion.angle_rad - best[2].angle_rad - np.pi
        return abs(float(np.angle(np.exp(1j * difference))))

    return min(found, key=lambda f: off_half_turn(f[2]))[0]


def point_motion(
    source_mm: ArrayLike, source_angle_rad: float, target_mm: ArrayLike, target_angle_rad: float
) -> Motion:
    """Motion that lays a point and a direction over another point and direction."""
    turn = target_angle_rad - source_angle_rad
    source = np.asarray(source_mm, np.float64)
    dx, dy = np.asarray(target_mm, np.float64) - Motion(turn).points([source])[0]
    return Motion(turn, (float(dx), float(dy)))


def hanging_point(region: Polygon) -> Point | None:
    """Centre of the hole nearest to an end of the long axis, or None without holes."""
    if not region.interiors:
        return None
    ends = ends_of(region)
    tips = [Point(ends.handle_mm), Point(ends.tip_mm)]
    centres = [Polygon(hole).centroid for hole in region.interiors]
    return min(centres, key=lambda c: min(c.distance(t) for t in tips))
