"""Brightness profiles across an edge, from the photo's own pixels in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.raster import LINEAR, Image

__all__ = ["Profiles", "contrast_signal", "sample_profiles"]

Array = NDArray[np.float64]

STEP_PX = 0.5
#: of linear sRGB (IEC 61966-2-1)
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
CLEAR_STEP = 0.15  # relative step of brightness that places an edge well enough
BLOCK = 4000  # profiles per call: keeps maps below the 32 767 rows that cv2.remap takes


@dataclass(frozen=True, eq=False)
class Profiles:
    """Profiles of M edge points.

    Attributes
    ----------
    offset_px
        (K,) place along the normal, outward positive; pixels of the picture as shrunk.
    light
        (M, K, 3) linear light.
    """

    offset_px: Array
    light: Array


def sample_profiles(
    pixels: NDArray[np.uint8],
    points_px: Array,
    normals_px: Array,
    reach_px: float,
    along_px: float = 2.0,
    shrink: int = 1,
) -> Profiles:
    """Sample along the normals (M, 2) through points (M, 2), averaged along the edge.

    ``reach_px`` is the half length; ``along_px`` the half width of the average. The picture is
    averaged over ``shrink`` x ``shrink`` pixels first; both lengths are then counted in those.
    Places outside the photo repeat its rim.
    """
    k = int(np.ceil(reach_px / STEP_PX))
    s = np.arange(-k, k + 1) * STEP_PX
    crop, corner = _crop(pixels, points_px, (reach_px + along_px + 2) * shrink, shrink)
    at_px = (points_px - corner + 0.5) / shrink - 0.5
    tangents = np.column_stack([-normals_px[:, 1], normals_px[:, 0]])
    shifts = np.arange(-along_px, along_px + 0.5)
    light = np.zeros((len(points_px), len(s), 3), np.float32)
    for start in range(0, len(points_px), BLOCK):
        part = np.s_[start : start + BLOCK]
        base = at_px[part, None, :] + s[None, :, None] * normals_px[part, None, :]
        for t in shifts:
            at = (base + t * tangents[part, None, :]).astype(np.float32)
            light[part] += cv2.remap(
                crop, at[..., 0], at[..., 1], cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE
            )
    return Profiles(s.astype(np.float64), light.astype(np.float64) / len(shifts))


def _crop(
    pixels: NDArray[np.uint8], points_px: Array, margin_px: float, shrink: int
) -> tuple[Image, Array]:
    """Linear light round the points, averaged over blocks of pixels, and its first pixel (x, y)."""
    h, w = pixels.shape[:2]
    low = np.clip((points_px.min(axis=0) - margin_px).astype(int), 0, (w - 2, h - 2))
    high = np.clip((points_px.max(axis=0) + margin_px).astype(int) + 2, low + 2, (w, h))
    crop = cv2.LUT(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]), LINEAR)
    size = (high - low) // shrink
    if shrink > 1 and size.min() > 0:
        whole = crop[: size[1] * shrink, : size[0] * shrink]
        crop = cv2.resize(whole, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
    return np.asarray(crop, np.float32), low.astype(np.float64)


def contrast_signal(profiles: Profiles, inner_px: float, outer_px: float) -> Array:
    """One value per sample, (M, K): brightness, or where both sides are as bright, colour.

    Colour is projected on each profile's own contrast between inside and outside, which keeps the
    shape of a blurred edge, and of a shadow, since both are linear in light. JPEG files keep
    colour at half resolution, where an edge is smeared more than the blur tells, so brightness
    goes first.
    """
    s = profiles.offset_px
    inside = (s >= inner_px - 2.5) & (s <= inner_px)
    outside = (s >= outer_px) & (s <= outer_px + 2.5)
    within, beyond = profiles.light[:, inside].mean(axis=1), profiles.light[:, outside].mean(axis=1)
    step = beyond - within + 1e-4
    axis: Array = step / np.linalg.norm(step, axis=1, keepdims=True)
    bright = np.maximum(np.maximum(within, beyond) @ LUMINANCE, 1e-4)
    clear = np.abs(step @ LUMINANCE) > CLEAR_STEP * bright
    axis = np.where(clear[:, None], LUMINANCE, axis)
    return np.asarray(np.einsum("mkc,mc->mk", profiles.light, axis), np.float64)
