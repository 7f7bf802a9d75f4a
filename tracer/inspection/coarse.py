"""Where a panel may stand in a photo without marks: cameras under which its rim fits the picture.

Four straight edges, or a patch of one colour, may be the rim: a pin hole of a known focal length
sees a rectangle of known sides in few quadrilaterals. Where one side is hidden or cut off, three
edges are enough: two parallel sides give a direction, the third the distance. Of all these cameras
the ones are kept under which the drawing agrees best with the photo: face where face should be,
something else where a pocket should be.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.inspection.camera import PanelCamera, from_points
from tracer.inspection.light import Floats
from tracer.inspection.pattern import RIM, Pattern
from tracer.inspection.refine import Level
from tracer.inspection.rims import area, cross

__all__ = ["agreements", "best_cameras", "quad_cameras", "three_side_cameras"]

Array = NDArray[np.float64]

#: a quadrilateral is tried where a pin hole's rectangle is this near, share of its size
FITS = 0.035
#: colours this far apart (logarithm of light) are not one surface
APART = 0.35
#: wall points that a camera is judged by, and where the photo is read beside them
MOST_WALLS, OUTER_MM, INNER_MM = 120, 4.5, 4.0
#: cameras of three sides: steepest view, and nearest and farthest distance of the middle
STEEPEST_COS, NEAREST_MM, FARTHEST_MM = 0.6, 250.0, 4000.0
#: cameras whose rims lie this near are one, px of the working picture
SAME_PX = 9.0


def quad_cameras(
    quads: list[Array], size_px: tuple[int, int], panel_mm: tuple[float, float], focal_px: float
) -> list[PanelCamera]:
    """Cameras that see the panel's rim in quadrilaterals, in any of four directions."""
    w, h = panel_mm
    corners_mm = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    found = []
    for quad in quads:
        for turn in range(4):
            px = np.roll(quad, turn, axis=0)
            camera = from_points(corners_mm, px, size_px, panel_mm, focal_px)
            if camera is None:
                continue
            off = np.linalg.norm(camera.to_photo(corners_mm) - px, axis=1).mean()
            if off < FITS * np.sqrt(area(quad)):
                found.append(camera)
    return found


def three_side_cameras(
    families: tuple[Array, Array],
    size_px: tuple[int, int],
    panel_mm: tuple[float, float],
    focal_px: float,
) -> list[PanelCamera]:
    """Cameras that see two opposite sides of the rim and one between them in three lines."""
    middle = (np.array(size_px) - 1) / 2

    def ray(point_px: Array) -> Array:
        return np.append((point_px - middle) / focal_px, 1.0)

    def plane(line: Array) -> Array:
        along = np.array([np.cos(line[2]), np.sin(line[2])]) * 100
        n = np.cross(ray(line[:2] - along), ray(line[:2] + along))
        return np.asarray(n / np.linalg.norm(n))

    found = []
    for sides, ends in (families, families[::-1]):
        planes = [plane(e) for e in ends]
        for a, b in combinations(sides, 2):
            along = np.cross(plane(a), plane(b))
            if np.linalg.norm(along) < 1e-6:
                continue
            along /= np.linalg.norm(along)
            for end, n in zip(ends, planes, strict=True):
                first, second = cross(a, end), cross(b, end)
                across = np.cross(n, along)
                if np.isfinite([first, second]).all() and np.linalg.norm(across) > 1e-6:
                    across /= np.linalg.norm(across)
                    poses = _poses(ray(first), ray(second), across, along, panel_mm)
                    found += [
                        PanelCamera(
                            np.concatenate([v, [np.log(focal_px), 0, 0]]), size_px, panel_mm
                        )
                        for v in poses
                    ]
    return found


def _poses(
    first: Array, second: Array, across: Array, along: Array, panel_mm: tuple[float, float]
) -> list[Array]:
    """Rotation vector and shift (6,) of panels with one side from ray to ray.

    ``across`` is that side's direction, ``along`` that of its neighbours. The side may be any of
    the four, and the panel may lie to either side of it.
    """
    w, h = panel_mm
    poses: list[Array] = []
    # t2 second - t1 first = length across, for a length of one; t scale with it
    t, *_ = np.linalg.lstsq(np.column_stack([-first, second]), across, rcond=None)
    if (t < 0).all():
        across, t = -across, -t
    if not (t > 0).all():
        return poses
    for to in (along, -along):
        x = across
        start, stop = t[0] * first, t[1] * second
        if np.dot(np.cross(x, to), start + stop) > 0:  # the face would look away
            x, start, stop = -x, stop, start
        # as lower, upper, left and right side: axes and the corner that is the panel's origin
        for axis_x, axis_y, origin in (
            (x, to, start * w),
            (-x, -to, stop * w + to * h),
            (to, -x, stop * h),
            (-to, x, start * h + to * w),
        ):
            R = np.column_stack([axis_x, axis_y, np.cross(axis_x, axis_y)])
            centre = origin + R[:, 0] * w / 2 + R[:, 1] * h / 2
            distance = float(np.linalg.norm(centre))
            steep = -float(np.dot(R[:, 2], centre)) / max(distance, 1e-9)
            if centre[2] > 0 and NEAREST_MM < distance < FARTHEST_MM and steep > STEEPEST_COS:
                poses.append(np.concatenate([np.ravel(cv2.Rodrigues(R)[0]), origin]))
    return poses


def agreements(picture: Floats, cameras: list[PanelCamera], pattern: Pattern) -> Array:
    """Share (K,) of walls with face on their outer and something else on their inner side.

    Less what chance gives; below 0 where too little of the panel is in the picture. The lens
    counts as straight here.
    """
    pockets = np.flatnonzero(pattern.owners != RIM)
    pockets = pockets[:: max(len(pockets) // MOST_WALLS, 1)]
    at, away = pattern.walls_mm[pockets], pattern.away[pockets]
    points = np.concatenate([at - OUTER_MM * away, at + INNER_MM * away])
    points = np.column_stack([points, np.zeros(len(points))])
    scores = [_chunk(picture, cameras[k : k + 500], points) for k in range(0, len(cameras), 500)]
    return np.concatenate(scores) if scores else np.empty(0)


def _chunk(picture: Floats, cameras: list[PanelCamera], points: Array) -> Array:
    h, w = picture.shape[:2]
    R = np.stack([cv2.Rodrigues(c.values[:3])[0] for c in cameras])
    shift = np.stack([c.values[3:6] for c in cameras])
    focal = np.exp([c.values[6] for c in cameras])
    space = np.einsum("kij,nj->kni", R, points) + shift[:, None]
    with np.errstate(all="ignore"):
        px = space[..., :2] / space[..., 2:] * focal[:, None, None]
        px = np.nan_to_num(px + (np.array([w, h]) - 1) / 2, nan=-1, posinf=-1, neginf=-1)
    cell = np.clip(np.round(px), -1, 1e6).astype(np.int64)
    inside = (cell >= 0).all(axis=2) & (cell[..., 0] < w) & (cell[..., 1] < h)
    inside &= space[..., 2] > 0
    cell[~inside] = 0
    seen = picture[cell[..., 1], cell[..., 0]].astype(np.float64)
    n = len(points) // 2
    outer, inner, ok = seen[:, :n], seen[:, n:], inside[:, :n] & inside[:, n:]
    count = np.maximum(ok.sum(axis=1), 1)
    face = _masked_median(outer, ok)[:, None]
    off = np.linalg.norm(outer - face, axis=2) < 2.5 * APART
    # light falls off over the panel: each wall is compared with the face beside it
    other = np.linalg.norm(inner - outer, axis=2) > APART
    unlike = np.linalg.norm(inner - face, axis=2) > APART
    hit = (off & other & ok).sum(axis=1) / count
    chance = 0.2 * ((off & ok).sum(axis=1) / count) * ((unlike & ok).sum(axis=1) / count)
    share = ok.mean(axis=1)
    score = (hit - chance) * np.sqrt(share)
    score[(count < 30) | (share < 0.3)] = -1.0
    return np.asarray(score, np.float64)


def _masked_median(values: Array, ok: NDArray[np.bool_]) -> Array:
    """Median (K, 3) over the points (K, N, 3) that count; 0 where none does."""
    filled = np.where((ok | ~ok.any(axis=1, keepdims=True))[..., None], values, np.nan)
    return np.asarray(np.nanmedian(filled, axis=1), np.float64)


def best_cameras(
    level: Level, cameras: list[PanelCamera], pattern: Pattern, most: int
) -> list[tuple[float, PanelCamera]]:
    """Those with the best agreement, one of each place."""
    w, h = pattern.size_mm
    corners_mm = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    scores = agreements(level.picture, cameras, pattern)
    kept: list[tuple[float, PanelCamera]] = []
    rims: list[Array] = []
    for k in np.argsort(-scores)[: 12 * most]:
        rim = cameras[k].to_photo(corners_mm)
        if all(np.abs(rim - other).max() > SAME_PX for other in rims):
            kept.append((float(scores[k]), cameras[k]))
            rims.append(rim)
        if len(kept) == most:
            break
    return kept
