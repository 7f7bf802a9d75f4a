"""What in a picture may be a panel's rim: straight edges, and patches of one colour."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.geometry.closed_rings import signed_area
from tracer.inspection.light import Floats
from tracer.inspection.refine import Level

__all__ = ["area", "cross", "line_families", "line_quads", "patch_quads"]

Array = NDArray[np.float64]

#: lines kept of each direction, pieces looked at, and how far two are the same: px
MOST_LINES, MOST_PIECES, SAME_PX = 9, 600, 7.0
#: least length of a stretch of edge, share of the picture's longer side
SHORTEST = 0.04
#: smallest panel, share of the picture's area
SMALLEST = 0.03
#: corners may lie outside the picture by this share of its size
BEYOND = 0.35


def area(quad: Array) -> float:
    """Area of a quadrilateral (4, 2)."""
    return abs(signed_area(quad))


def _grey_pictures(picture: Floats) -> list[NDArray[np.uint8]]:
    """Brightness and two tones as 8-bit pictures."""
    bright = picture.mean(axis=2)
    channels = [bright, picture[..., 0] - picture[..., 1], picture[..., 2] - picture[..., 1]]
    out = []
    for c, span in zip(channels, (5.5, 2.0, 2.0), strict=True):
        low = float(np.quantile(c, 0.02)) if span > 3 else -span / 2
        out.append(np.clip((c - low) / span * 255, 0, 255).astype(np.uint8))
    return out


def _lines(level: Level) -> Array:
    """Straight edges (N, 5): x, y of the middle, direction, signed distance, length; merged."""
    detector = cv2.createLineSegmentDetector()
    pieces = []
    for grey in _grey_pictures(level.picture):
        found = detector.detect(cv2.GaussianBlur(grey, (0, 0), 0.8))[0]
        if found is not None:
            pieces.append(np.asarray(found, np.float64).reshape(-1, 4))
    if not pieces:
        return np.empty((0, 5))
    s = np.concatenate(pieces)
    length = np.hypot(s[:, 2] - s[:, 0], s[:, 3] - s[:, 1])
    long = length > SHORTEST * max(level.size_px)
    s, length = s[long], length[long]
    order = np.argsort(-length)[:MOST_PIECES]
    merged: list[Array] = []
    for k in order:
        x0, y0, x1, y1 = s[k]
        for line in merged:
            d = np.array([np.cos(line[2]), np.sin(line[2])])
            n = np.array([-d[1], d[0]])
            ends = np.array([[x0, y0], [x1, y1]]) - line[:2]
            if np.abs(ends @ n).max() < SAME_PX * 0.6:
                line[4] += length[k]
                break
        else:
            angle = np.arctan2(y1 - y0, x1 - x0) % np.pi
            merged.append(np.array([(x0 + x1) / 2, (y0 + y1) / 2, angle, 0.0, length[k]]))
    lines = np.array(merged).reshape(-1, 5)
    return lines[np.argsort(-lines[:, 4])]


def line_families(level: Level) -> tuple[Array, Array]:
    """Long straight edges, (N, 5) each: those of the main direction, and those across it.

    A row is x, y of the middle, direction, 0, length. Directions are taken against that of the
    longest lines: a rolled phone is no matter.
    """
    lines = _lines(level)
    if len(lines) < 3:
        return lines, lines[:0]
    main = 0.25 * np.angle(np.sum(lines[:, 4] * np.exp(4j * lines[:, 2])))
    across = np.abs(np.angle(np.exp(2j * (lines[:, 2] - main)))) / 2
    first = lines[across < np.radians(32)][:MOST_LINES]
    return first, lines[across > np.radians(58)][:MOST_LINES]


def line_quads(level: Level, families: tuple[Array, Array]) -> list[Array]:
    """Quadrilaterals of two pairs of lines, each pair of about one direction."""
    first, second = families
    w, h = level.size_px
    quads = []
    for a, b in combinations(first, 2):
        for c, d in combinations(second, 2):
            quad = np.array([cross(a, c), cross(a, d), cross(b, d), cross(b, c)])
            if not np.isfinite(quad).all():
                continue
            low, high = quad.min(axis=0), quad.max(axis=0)
            if (low < [-BEYOND * w, -BEYOND * h]).any() or (
                high > [(1 + BEYOND) * w, (1 + BEYOND) * h]
            ).any():
                continue
            if area(quad) < SMALLEST * w * h:
                continue
            ordered = _counter_clockwise(quad)
            if ordered is not None:
                quads.append(ordered)
    return quads


def cross(a: Array, b: Array) -> Array:
    """Where two lines meet; NaN where they hardly do."""
    da, db = (np.array([np.cos(v[2]), np.sin(v[2])]) for v in (a, b))
    det = da[0] * -db[1] + db[0] * da[1]
    if abs(det) < 0.3:
        return np.full(2, np.nan)
    e = b[:2] - a[:2]
    t = (e[0] * -db[1] + db[0] * e[1]) / det
    return np.asarray(a[:2] + t * da)


def _counter_clockwise(quad: Array) -> Array | None:
    """The corners counter-clockwise as seen (y runs down); None where they cross themselves."""
    hull = cv2.convexHull(quad.astype(np.float32), clockwise=True).reshape(-1, 2)
    if len(hull) != 4:
        return None
    seen_ccw = signed_area(hull) < 0
    return np.asarray(hull if seen_ccw else hull[::-1], np.float64)


def patch_quads(level: Level) -> list[Array]:
    """Quadrilaterals around patches of one colour."""
    picture = cv2.GaussianBlur(level.picture, (0, 0), 1.5)
    small = picture[::4, ::4].reshape(-1, 3)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 12, 0.05)
    cv2.setRNGSeed(1)
    quads = []
    for count in (4, 7):
        _, _, centres = cv2.kmeans(small, count, None, criteria, 2, cv2.KMEANS_PP_CENTERS)  # type: ignore[call-overload]
        far = np.stack([np.linalg.norm(picture - c, axis=2) for c in centres])
        label = far.argmin(axis=0)
        for k in range(count):
            mask = (label == k).astype(np.uint8)
            mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
            number, parts, stats, _ = cv2.connectedComponentsWithStats(mask)
            for part in range(1, number):
                if stats[part, cv2.CC_STAT_AREA] > SMALLEST * mask.size:
                    quads += _quads_around((parts == part).astype(np.uint8))
    return quads


def _quads_around(mask: NDArray[np.uint8]) -> list[Array]:
    outlines = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    outline = max(outlines, key=len)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    found = []
    for points in (outline, *cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]):
        if len(points) < 40:
            continue
        hull = cv2.convexHull(points)
        try:
            quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2)
        except cv2.error:
            continue
        ordered = _counter_clockwise(quad.astype(np.float64))
        if ordered is not None and area(ordered) > SMALLEST * mask.size:
            found.append(ordered)
    return found
