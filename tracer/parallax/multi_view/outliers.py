"""Silhouettes that do not fit the other photos: moved tools, hands, roaming shadows, mirror images.

A tool stays where it is while the camera moves, so the photos must agree about it at one height or
another. What agrees with none is no tool, or it was touched between the shots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform
from shapely.geometry import Polygon

from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.correspond import Track
from tracer.parallax.multi_view.edges import Camera, Fit
from tracer.parallax.multi_view.oneheight import at_height

__all__ = ["Outlier", "OutlierReason", "Slip", "in_view", "same_shape", "slips", "sort_outliers"]

Array = NDArray[np.float64]

#: overlap of two silhouettes laid on each other from which they are taken for the same tool
ALIKE = 0.72
#: least shift of a tool that is spoken of, mm
LEAST_SLIP_MM = 1.5


class OutlierReason(StrEnum):
    """Why a silhouette was left out, or kept with a warning."""

    MOVED = "moved"  # the same tool lies elsewhere in the other photos
    UNCONFIRMED = "unconfirmed"  # the other photos should show it and do not
    DOUBTFUL = "doubtful"  # one other photo should show it and does not; kept
    MIRRORED = "mirrored"  # it lies below the sheet
    FLAT = "flat"  # all photos see it on the sheet, and its edge hardly stands out


@dataclass(frozen=True, eq=False)
class Outlier:
    """A silhouette that does not fit the other photos.

    ``kept`` says whether it is still treated as a tool, from its one photo.
    """

    photo: int
    silhouette: Silhouette
    reason: OutlierReason
    kept: bool = False


def in_view(region: Polygon, camera: Camera, frame_mm: Polygon, seen_by: Camera) -> bool:
    """Whether another photo must show a silhouette whole, lying anywhere up to 60 mm high."""
    for z in (0.0, 60.0):
        shown = at_height(at_height(region, seen_by, z), camera, -mirror_height(camera, z))
        if not frame_mm.contains(shown):
            return False
    return True


def mirror_height(camera: Camera, z_mm: float) -> float:
    """Height whose scaling undoes the one to height z: from z back to the sheet along the rays."""
    return camera.height_mm * z_mm / (camera.height_mm - z_mm)


def axis_angle(region: Polygon) -> float:
    """Direction of the long side of the least rotated rectangle, radians."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(region))[:4]
    sides = np.diff(corners[:3], axis=0)
    long = sides[np.argmax(np.linalg.norm(sides, axis=1))]
    return float(np.arctan2(long[1], long[0]))


def same_shape(one: Polygon, other: Polygon) -> float:
    """Overlap (0 to 1, intersection over union) of two shapes laid on each other.

    Shift and turn are free, and a change of size within 15 % (height and parallax change it).
    """
    if not 0.7 < one.area / max(other.area, 1e-9) < 1.4:
        return 0.0
    k = float(np.sqrt(one.area / other.area))
    turn = axis_angle(one) - axis_angle(other)
    fixed, loose = (shapely.make_valid(r.simplify(1.0)) for r in (one, other))
    to, origin = fixed.centroid, loose.centroid
    best = 0.0
    for quarter in range(4):
        for nudge in np.radians([-4.0, -2.0, 0.0, 2.0, 4.0]):
            angle = turn + quarter * np.pi / 2 + nudge
            c, s = k * np.cos(angle), k * np.sin(angle)
            laid = affine_transform(
                loose,
                [
                    c,
                    -s,
                    s,
                    c,
                    to.x - c * origin.x + s * origin.y,
                    to.y - s * origin.x - c * origin.y,
                ],
            )
            common = fixed.intersection(laid).area
            best = max(best, common / (fixed.area + laid.area - common))
    return best


@dataclass(frozen=True)
class Slip:
    """Rigid shift of a tool in one photo against the others.

    ``shift_mm`` is the largest movement of any edge, ``sigma_mm`` its standard deviation.
    """

    photo: int
    shift_mm: float
    sigma_mm: float

    @property
    def plain(self) -> bool:
        """More than height and noise explain: somebody touched the tool, or the photo is off."""
        return bool(np.isfinite(self.sigma_mm)) and self.shift_mm > max(
            LEAST_SLIP_MM, 4 * self.sigma_mm
        )


def slips(fit: Fit, photos: Sequence[int]) -> list[Slip]:
    """How far each photo shows the tool shifted or turned against the common solution.

    A robust least-squares fit of (shift x, shift y, turn) to the residuals along the normals, per
    photo. A shift along the line between two cameras looks like a height and cannot show; one
    across it, or any with three cameras not in a row, does.
    """
    points = fit.ring.points_mm
    arm = points - points.mean(axis=0)
    n = fit.normal
    design = np.column_stack([n, arm[:, 0] * n[:, 1] - arm[:, 1] * n[:, 0]])
    reach = float(np.linalg.norm(arm, axis=1).max(initial=1.0))
    out = []
    for i, photo in enumerate(photos):
        seen = fit.sighting.seen[i]
        if seen.sum() < 12:
            out.append(Slip(photo, 0.0, float("inf")))
            continue
        a, d, s = design[seen], fit.sighting.residual_mm[i, seen], fit.sighting.sigma_mm[i, seen]
        weight = 1 / s**2
        x = np.zeros(3)
        normal_matrix = np.eye(3)
        for _ in range(5):
            normal_matrix = (a * weight[:, None]).T @ a + np.diag([1e-4, 1e-4, 1e-4 * reach**2])
            x = np.linalg.solve(normal_matrix, (a * weight[:, None]).T @ d)
            weight = 1 / s**2 / (1 + ((d - a @ x) / (2 * s)) ** 2)
        # samples 1.5 mm apart share their noise over about ten of them
        cov = 10 * np.linalg.inv(normal_matrix)
        shift = float(np.hypot(np.hypot(x[0], x[1]), x[2] * reach))
        spread = float(np.sqrt(cov[0, 0] + cov[1, 1] + cov[2, 2] * reach**2))
        out.append(Slip(photo, shift, spread))
    return out


def sort_outliers(
    tracks: Sequence[Track],
    silhouettes: Sequence[Sequence[Silhouette]],
    cameras: Sequence[Camera],
    frames: Sequence[Polygon],
) -> tuple[list[Track], list[Silhouette], list[Outlier]]:
    """Part what several photos show from what only one does.

    Returns
    -------
    several, lone, outliers
        Tracks of two photos or more; silhouettes to be taken from their one photo; silhouettes
        that do not fit, a few of which are among the lone ones (``kept``).
    """
    several = [p for p in tracks if len(p.parts) > 1]
    single = [
        (p.parts[0].photo, k) for p in tracks if len(p.parts) == 1 for k in p.parts[0].silhouettes
    ]
    lone: list[Silhouette] = []
    outliers: list[Outlier] = []
    kept_single: list[tuple[int, int]] = []
    for photo, k in sorted(single):
        silhouette = silhouettes[photo][k]
        elsewhere = [
            silhouettes[part.photo][j].region
            for track in several
            if photo not in {part.photo for part in track.parts}
            for part in track.parts
            for j in part.silhouettes
        ] + [silhouettes[i][j].region for i, j in kept_single if i != photo]
        expected = sum(
            in_view(silhouette.region, cameras[i], frames[i], cameras[photo])
            for i in range(len(cameras))
            if i != photo
        )
        if not silhouette.touches_border and any(
            same_shape(silhouette.region, other) > ALIKE for other in elsewhere
        ):
            outliers.append(Outlier(photo, silhouette, OutlierReason.MOVED))
        elif expected >= 2 or (expected == 1 and silhouette.confidence < 0.5):
            outliers.append(Outlier(photo, silhouette, OutlierReason.UNCONFIRMED))
        else:
            lone.append(silhouette)
            kept_single.append((photo, k))
            if expected:
                outliers.append(Outlier(photo, silhouette, OutlierReason.DOUBTFUL, kept=True))
    return several, lone, outliers
