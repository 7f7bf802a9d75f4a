"""The edge itself: from a ring on the working picture to points measured in the photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.model.view import PlaneMap
from tracer.segmentation.contours import resample, ring_normals, signed_area
from tracer.segmentation.profiles import sample_profiles, track_edge

__all__ = ["MeasuredRing", "measure_ring"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MeasuredRing:
    """A measured ring: points (N, 2) mm, deviation (N,) mm, confidence (N,) 0 to 1."""

    points_mm: Array
    sigma_mm: Array
    confidence: Array


def measure_ring(
    pixels: NDArray[np.uint8],
    plane: PlaneMap,
    ring_mm: Array,
    *,
    step_mm: float,
    search_mm: float,
    sigma_px: float,
) -> MeasuredRing:
    """Measure the edge along a ring (outer ring counter-clockwise, hole clockwise)."""
    ring = resample(ring_mm, step_mm)
    px = plane.to_photo(ring)
    normals = ring_normals(px, smooth=2.0)
    if np.sign(signed_area(px)) != np.sign(signed_area(ring)):
        normals = -normals  # the photo's y axis runs down: keep pointing off the tool
    scale = float(np.median(np.linalg.norm(np.diff(ring, axis=0), axis=1)))
    scale /= float(np.median(np.linalg.norm(np.diff(px, axis=0), axis=1)))
    reach = max(8.0, 4 * sigma_px + 3, search_mm / scale + 3)
    profiles = sample_profiles(pixels, px, normals, reach)
    offset, strength = track_edge(profiles, max(2.0, search_mm / scale), sigma_px)
    moved = plane.to_sheet(px + offset[:, None] * normals)
    confidence = np.clip(strength / 0.3, 0, 1)
    sigma = np.full(len(moved), 0.3) * scale
    return MeasuredRing(moved, sigma, confidence)
