"""Round holes in a flat face that lies at a known height over the sheet: middles and diameters.

The face is looked at as if from straight above (the picture is drawn anew for its height), round
patches darker or lighter than what is around them are looked for at several levels of grey, and
the rim of each is then found along rays in the photo itself. Holes in the back of a charger, a
hook, a bracket become the pattern that it is screwed on by.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates
from shapely.geometry import Point, Polygon

from tracer.geometry.circles import Circle, circle_through
from tracer.model.view import PlaneMap, View

__all__ = ["FoundHole", "find_holes"]

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Box = tuple[float, float, float, float]

#: levels of grey that patches are looked for at, between these percentiles of the picture
_LEVELS, _DARK, _LIGHT = 14, 2.0, 98.0
#: a patch is round when it covers this share of the circle round it, and is as wide as high
_ROUND, _ASPECT = 0.82, 1.25
#: rays to a rim, share of them that must agree, and how far they may scatter (mm, and px)
_RAYS, _AGREE, _SCATTER_MM, _SCATTER_PX = 180, 0.6, 0.12, 0.45
#: rays look for the rim between these shares of the radius
_NEAR, _FAR, _STEPS = 0.55, 1.45, 91
#: fits in turn, the first begun at a patch whose size goes by its level of grey
_TURNS, _SETTLED_MM = 6, 0.01
#: two patches with middles nearer than this share of the larger radius are one
_SAME = 0.6
#: pixels of the picture drawn anew at most
_MOST_PX = 16_000_000
#: a step in light that can be told from noise: share of the lighter side, and of all light
_LEAST_SHARE, _LEAST_STEP = 0.2, 1.0


@dataclass(frozen=True)
class FoundHole:
    """A hole: middle and diameter on its face, and how far its rim scatters from the circle."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    rim_mm: float


def find_holes(
    grey: Grey,
    view: View,
    *,
    height_mm: float,
    within_px: Box | None = None,
    ignore: Sequence[Polygon] = (),
    diameters_mm: tuple[float, float] = (2.0, 60.0),
    progress: Callable[[float], None] | None = None,
) -> tuple[FoundHole, ...]:
    """Round holes in a face parallel to the sheet, from above down, each row from the left.

    Parameters
    ----------
    grey
        (H, W) upright photo, 0 to 255.
    height_mm
        Of the face over the sheet.
    within_px
        x0, y0, x1, y1 of a box of the photo that is looked at; None: all of it.
    ignore
        Regions of the sheet that are not looked at (cards).
    diameters_mm
        Least and greatest diameter.
    """
    told = progress or (lambda _done: None)
    grey = _linear(grey)  # an edge lies where half of the light is, not half of the number
    box = within_px or (0.0, 0.0, view.size_px[0] - 1.0, view.size_px[1] - 1.0)
    flat, (x0, y0), step = _seen_from_above(grey, view, box, height_mm)
    told(0.3)
    patches = _patches(flat, step, diameters_mm)
    found: list[FoundHole] = []
    for n, (column, row, radius) in enumerate(patches):
        told(0.3 + 0.7 * (n + 1) / len(patches))
        x, y = x0 + column * step, y0 - row * step
        if any(region.contains(Point(x, y)) for region in ignore):
            continue
        hole = _rim(grey, view, (x, y), radius, height_mm, step)
        if hole is None or not diameters_mm[0] <= hole.diameter_mm <= diameters_mm[1]:
            continue
        if all(_apart(hole, other) for other in found):
            found.append(hole)
    row_mm = max((h.diameter_mm for h in found), default=1.0)
    return tuple(sorted(found, key=lambda h: (-round(h.y_mm / row_mm), h.x_mm)))


def _linear(grey: Grey) -> Grey:
    """Light of sRGB values 0 to 255, in the same span (IEC 61966-2-1); means of channels too."""
    s = np.asarray(grey, np.float32) / 255
    light = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    return np.asarray(255 * light, np.float32)


def _seen_from_above(
    grey: Grey, view: View, box: Box, z_mm: float
) -> tuple[Grey, tuple[float, float], float]:
    """The face as seen from straight above, its upper left pixel's place, and mm to a pixel."""
    a, b, c, d = box
    corners = view.to_sheet([(a, b), (c, b), (c, d), (a, d)], z_mm)
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    step = float(view.mm_per_px(corners.mean(axis=0)[None])[0])
    step = max(step, math.sqrt((x1 - x0) * (y1 - y0) / _MOST_PX))
    xs, ys = np.arange(x0, x1, step), np.arange(y1, y0, -step)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    at = view.to_photo(np.column_stack([grid, np.full(len(grid), z_mm)]))
    at = at.reshape(len(ys), len(xs), 2).astype(np.float32)
    flat = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), 0.8), np.float32), (float(xs[0]), y1), step


def _patches(
    flat: Grey, step: float, diameters_mm: tuple[float, float]
) -> list[tuple[float, float, float]]:
    """Round patches as column, row in px and radius in mm, those seen at most levels first."""
    least, most = (d / 2 / step for d in diameters_mm)
    low, high = np.percentile(flat, [_DARK, _LIGHT])
    seen: list[tuple[float, float, float, int]] = []
    # as the eye sees steps: as many levels in the dark as in the light
    for level in np.geomspace(max(low, 0.5), max(high, 1.0), _LEVELS + 2)[1:-1]:
        mask = (flat < level).astype(np.uint8)
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            points = contour.reshape(-1, 2).astype(np.float64)
            w, h = np.ptp(points, axis=0) + 1.0
            if not (1.6 * least <= max(w, h) <= 2.6 * most and max(w, h) <= _ASPECT * min(w, h)):
                continue
            area = cv2.contourArea(contour) + len(points) / 2
            if area < _ROUND * math.pi / 4 * max(w, h) ** 2:
                continue
            column, row = points.mean(axis=0)
            _count(seen, float(column), float(row), float(w + h) / 4)
    ordered = sorted(seen, key=lambda s: (-s[3], s[1], s[0]))
    return [(column, row, radius * step) for column, row, radius, _ in ordered]


def _count(
    seen: list[tuple[float, float, float, int]], column: float, row: float, radius: float
) -> None:
    """A patch that was seen before is counted, another one is noted."""
    for n, (c, r, other, many) in enumerate(seen):
        like = 0.75 < radius / other < 1.33
        if like and math.hypot(c - column, r - row) < _SAME * max(radius, other):
            seen[n] = (c, r, other, many + 1)
            return
    seen.append((column, row, radius, 1))


def _rim(
    grey: Grey, view: PlaneMap, middle: tuple[float, float], radius: float, z_mm: float, step: float
) -> FoundHole | None:
    """The rim along rays in the photo: where light changes most, fitted by circles in turn."""
    circle = Circle(*middle, radius, 0.0)
    for _ in range(_TURNS):
        points = _rim_points(grey, view, circle, z_mm, step)
        better = _agreed(points, step) if points is not None else None
        if better is None:
            return None
        settled = abs(better.radius_mm - circle.radius_mm) < _SETTLED_MM
        circle = better
        if settled:
            break
    return FoundHole(circle.x_mm, circle.y_mm, 2 * circle.radius_mm, circle.off_mm)


def _rim_points(
    grey: Grey, view: PlaneMap, circle: Circle, z_mm: float, step: float
) -> Array | None:
    """Points of the rim (N, 2) on the face; None where there is no step of one kind all round."""
    turn = np.linspace(0, 2 * math.pi, _RAYS, endpoint=False)
    out = circle.radius_mm * np.linspace(_NEAR, _FAR, _STEPS)
    x = circle.x_mm + np.cos(turn)[:, None] * out
    y = circle.y_mm + np.sin(turn)[:, None] * out
    at = view.to_photo(np.column_stack([x.ravel(), y.ravel(), np.full(x.size, z_mm)]))
    values = map_coordinates(grey, at[:, ::-1].T, order=1, mode="nearest").reshape(x.shape)
    spacing = float(out[1] - out[0])
    slope = gaussian_filter1d(values, max(0.6 * step / spacing, 0.8), axis=1, order=1)
    face = float(np.median(values[:, -_STEPS // 6 :]))
    inside = float(np.median(values[:, : _STEPS // 6]))
    if abs(face - inside) < max(_LEAST_SHARE * max(face, inside), _LEAST_STEP):
        return None
    slope = slope * np.sign(face - inside)
    best = np.argmax(slope[:, 1:-1], axis=1) + 1
    rows = np.arange(_RAYS)
    before, here, after = (slope[rows, best + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    with np.errstate(all="ignore"):
        shift = np.where(np.abs(bend) > 1e-9, (before - after) / (2 * bend), 0.0)
    reach = out[best] + np.clip(shift, -1, 1) * spacing
    strong = here > 0.3 * np.median(here)
    rim = np.column_stack([np.cos(turn) * reach, np.sin(turn) * reach])[strong]
    return np.asarray(rim + np.array([circle.x_mm, circle.y_mm]), np.float64)


def _agreed(points: Array, step: float) -> Circle | None:
    """The circle that most rays agree on; None where too few do."""
    allowed = max(_SCATTER_MM, _SCATTER_PX * step)
    circle, kept, middle_off = circle_through(points), points, math.inf
    for _ in range(6):
        if circle is None:
            return None
        away = np.hypot(points[:, 0] - circle.x_mm, points[:, 1] - circle.y_mm)
        off = np.abs(away - circle.radius_mm)
        middle_off = float(np.median(off))
        kept = points[off <= max(2.5 * middle_off, allowed)]
        circle = circle_through(kept)
    if circle is None or len(kept) < _AGREE * _RAYS or middle_off > allowed:
        return None
    return Circle(circle.x_mm, circle.y_mm, circle.radius_mm, middle_off)


def _apart(one: FoundHole, other: FoundHole) -> bool:
    return (
        math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm)
        > (one.diameter_mm + other.diameter_mm) / 4
    )
