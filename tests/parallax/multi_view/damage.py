"""Damage done to exact silhouettes on purpose: noise, growth, blobs, merging, breaking, moving."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d
from shapely.affinity import affine_transform, rotate, translate
from shapely.geometry import Polygon

from tests.parallax.multi_view.lays import Array, Lay, silhouette
from tracer.geometry.rings import largest_polygon
from tracer.model.silhouette import Silhouette


def with_region(old: Silhouette, region: Polygon) -> Silhouette:
    sigma = float(np.median(old.sigma_mm))
    return silhouette(
        old.silhouette_id,
        old.photo_id,
        largest_polygon(region.buffer(0)),
        sigma_mm=sigma,
        border=old.touches_border,
    )


def each(lay: Lay, change: Callable[[int, Silhouette], Silhouette]) -> Lay:
    changed = tuple(tuple(change(i, s) for s in some) for i, some in enumerate(lay.silhouettes))
    return Lay(lay.views, changed, lay.tools)


def wavy(region: Polygon, sigma_mm: float, length_mm: float, rng: np.random.Generator) -> Polygon:
    """Edge moved along its normal by Gaussian noise correlated over a length."""
    ring = region.exterior.segmentize(0.5)
    points = np.asarray(ring.coords)[:-1]
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    spread = length_mm / (ring.length / len(points))
    noise = gaussian_filter1d(rng.normal(size=len(points)), spread, mode="wrap")
    noise *= sigma_mm / noise.std()
    moved = points + noise[:, None] * np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return largest_polygon(Polygon(moved, region.interiors).buffer(0))


def noisy(lay: Lay, sigma_px: float, length_px: float, seed: int) -> Lay:
    rng = np.random.default_rng(seed)

    def change(photo: int, s: Silhouette) -> Silhouette:
        view = lay.views[photo]
        gsd = float(view.mm_per_px(view.nadir_mm[None])[0])
        return with_region(s, wavy(s.region, sigma_px * gsd, length_px * gsd, rng))

    return each(lay, change)


def grown(lay: Lay, by_mm: float, photos: tuple[int, ...] | None = None) -> Lay:
    def change(photo: int, s: Silhouette) -> Silhouette:
        if photos is not None and photo not in photos:
            return s
        return with_region(s, s.region.buffer(by_mm))

    return each(lay, change)


def blobbed(lay: Lay, radius_mm: float, seed: int) -> Lay:
    """A round blob on the edge of each tool, in one photo each."""
    rng = np.random.default_rng(seed)
    photo_of = rng.integers(0, len(lay.views), 200)

    def change(photo: int, s: Silhouette) -> Silhouette:
        number = int(s.silhouette_id[1:])
        if photo_of[number] != photo:
            return s
        spot = s.region.exterior.interpolate(rng.uniform(), normalized=True)
        return with_region(s, s.region.union(spot.buffer(radius_mm)))

    return each(lay, change)


def tongue(region: Polygon, length_mm: float, angle_rad: float) -> Polygon:
    """A shadow: everything the region sweeps when shifted along the sheet."""
    dx, dy = length_mm * np.cos(angle_rad), length_mm * np.sin(angle_rad)
    steps = [translate(region, dx * k / 8, dy * k / 8) for k in range(9)]
    return largest_polygon(shapely.union_all(steps))


def moved_tool(region: Polygon, dx: float, dy: float, turn_deg: float = 0.0) -> Polygon:
    return translate(rotate(region, turn_deg, origin="centroid"), dx, dy)


def mirrored_below(region: Polygon, nadir: Array, camera_mm: float, z_mm: float) -> Polygon:
    """What a flat shape looks like at ``-z``: its mirror image in the sheet."""
    k = camera_mm / (camera_mm + z_mm)
    x, y = nadir
    return affine_transform(region, [k, 0, 0, k, (1 - k) * x, (1 - k) * y])
