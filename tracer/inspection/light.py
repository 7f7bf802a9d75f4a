"""Colours relative to the face: what the lamp does to the photo falls out.

Everything is the natural logarithm of linear light. The face is one colour under a light that
changes slowly, so a smooth surface over the panel is its colour anywhere; what differs from it by
more than the face's own scatter is not face.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["FaceColour", "fit_face", "log_light", "sampled"]

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

#: added to linear light: a phone's black level and flare, own choice
FLOOR = 0.004
#: least scatter of a foam face in tone and in brightness
TONE_SIGMA, BRIGHT_SIGMA = 0.05, 0.12
_TABLE = np.arange(256) / 255.0
_TABLE = np.where(_TABLE <= 0.04045, _TABLE / 12.92, ((_TABLE + 0.055) / 1.055) ** 2.4)
_LOG = np.log(_TABLE + FLOOR).astype(np.float32)


def log_light(pixels: NDArray[np.uint8]) -> Floats:
    """Logarithm of linear light (H, W, 3) of an sRGB picture (IEC 61966-2-1)."""
    return _LOG[pixels]


def sampled(picture: Floats, points_px: Array) -> Array:
    """Values (N, C) at points (N, 2), bilinear; NaN outside the picture."""
    h, w = picture.shape[:2]
    p = np.asarray(points_px, np.float64)
    inside = (p >= 0).all(axis=1) & (p[:, 0] <= w - 1) & (p[:, 1] <= h - 1)
    out = np.full((len(p), picture.shape[2]), np.nan)
    at = p[inside].astype(np.float32)
    # the library's maps have at most 32767 rows
    for start in range(0, len(at), 32_000):
        part = at[start : start + 32_000]
        found = cv2.remap(
            picture, part[:, None, 0], part[:, None, 1], cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        rows = np.flatnonzero(inside)[start : start + 32_000]
        out[rows] = found.reshape(len(part), -1)
    return out


@dataclass(frozen=True, eq=False)
class FaceColour:
    """The face's colour over the panel: (6, 3) terms of second order, and its scatter.

    ``seen`` is the share of the points read that agree with it.
    """

    terms: Array
    size_mm: tuple[float, float]
    tone_sigma: float
    bright_sigma: float
    seen: float

    def at(self, points_mm: Array) -> Array:
        """Logarithm of the face's light (N, 3)."""
        return _basis(points_mm, self.size_mm) @ self.terms

    def unlike(self, log_rgb: Array, points_mm: Array) -> Array:
        """How many scatters (N,) colours seen at points are from the face."""
        tone, bright = split(log_rgb - self.at(points_mm))
        off = np.linalg.norm(tone, axis=-1) / self.tone_sigma
        return np.asarray(np.hypot(off, bright / self.bright_sigma), np.float64)


def split(log_ratio: Array) -> tuple[Array, Array]:
    """Tone (..., 3), free of brightness, and brightness (...) of log ratios."""
    bright = log_ratio.mean(axis=-1)
    return log_ratio - bright[..., None], bright


def _basis(points_mm: Array, size_mm: tuple[float, float]) -> Array:
    u = np.asarray(points_mm)[:, 0] / size_mm[0] * 2 - 1
    v = np.asarray(points_mm)[:, 1] / size_mm[1] * 2 - 1
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def fit_face(log_rgb: Array, points_mm: Array, size_mm: tuple[float, float]) -> FaceColour | None:
    """The face's colour from what is seen at points of bare face; None where too little is seen.

    Hands, cables and labels lie over some of them: the start is the mode of all colours, and what
    is far from the fit no longer counts.
    """
    ok = np.isfinite(log_rgb).all(axis=1)
    values, points = log_rgb[ok], np.asarray(points_mm)[ok]
    if len(values) < 30:
        return None
    middle = _mode(values)
    weight = (np.linalg.norm(values - middle, axis=1) < 1.0).astype(np.float64)
    terms = np.zeros((6, 3))
    terms[0] = middle
    tone_sigma = bright_sigma = 0.0
    for turn in range(6):
        basis = _basis(points, size_mm)
        ridge = np.diag([1e-6, 1.0, 1.0, 4.0, 4.0, 4.0]) * 0.02 * len(values)
        start = np.zeros((6, 3))
        start[0] = middle
        left = basis.T @ (weight[:, None] * basis) + ridge
        terms = start + np.linalg.solve(
            left, basis.T @ (weight[:, None] * (values - basis @ start))
        )
        tone, bright = split(values - basis @ terms)
        inner = weight > 0.3
        if inner.sum() < 20:
            return None
        size = np.linalg.norm(tone, axis=1)
        tone_sigma = max(1.2 * float(np.median(size[inner])), TONE_SIGMA)
        bright_sigma = max(1.48 * float(np.median(np.abs(bright[inner]))), BRIGHT_SIGMA)
        far = np.hypot(size / tone_sigma, bright / bright_sigma)
        weight = 1 / (1 + (far / (4.0 if turn < 2 else 2.5)) ** 4)
    far = np.hypot(size / tone_sigma, bright / bright_sigma)
    return FaceColour(terms, size_mm, tone_sigma, bright_sigma, float((far < 3.5).mean()))


def _mode(values: Array) -> Array:
    """Where colours (N, 3) crowd most: mean shift from the median and from random starts."""
    g = np.random.default_rng(1)
    starts = [np.median(values, axis=0), *values[g.integers(0, len(values), 12)]]
    best, most = starts[0], -1.0
    for start in starts:
        at = start
        for _ in range(5):
            near = np.exp(-0.5 * (np.linalg.norm(values - at, axis=1) / 0.35) ** 2)
            at = (near[:, None] * values).sum(axis=0) / max(near.sum(), 1e-9)
        if near.sum() > most:
            best, most = at, float(near.sum())
    return np.asarray(best, np.float64)
