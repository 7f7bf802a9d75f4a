"""Damaged, missing and invented silhouettes: whatever comes in, what goes out is sound."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon

from tests.parallax.multi_view.damage import moved_tool, tongue
from tests.parallax.multi_view.lays import silhouette
from tests.parallax.multi_view.solids import TOOLS, bench_lay
from tracer.geometry.rings import largest_polygon
from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.views import solve_views


def damaged(region: Polygon, rng: np.random.Generator) -> Polygon:
    kind = rng.integers(0, 6)
    if kind == 0:
        x0, y0, x1, y1 = region.bounds
        return largest_polygon(region.difference(shapely.box(x0, y0, (x0 + x1) / 2, y1)))
    if kind == 1:
        return largest_polygon(region.buffer(rng.uniform(-6, 8)))
    if kind == 2:
        return tongue(region, rng.uniform(5, 60), rng.uniform(0, 6))
    if kind == 3:
        return moved_tool(region, *rng.uniform(-30, 30, 2), rng.uniform(-20, 20))
    return region


@pytest.mark.parametrize("seed", range(6))
def test_results_are_sound(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = [tuple(rng.uniform(-0.5, 0.5, 2)) for _ in range(rng.integers(2, 5))]
    names = tuple(rng.choice(list(TOOLS), 3, replace=False))
    lay = bench_lay(places, seed=seed, names=names, high_mm=rng.uniform(500, 2000))
    found: list[list[Silhouette]] = []
    for view, some in zip(lay.views, lay.silhouettes, strict=True):
        regions = [damaged(s.region, rng) for s in some if rng.uniform() > 0.1]
        regions += [
            Point(*rng.uniform(-400, 400, 2)).buffer(rng.uniform(3, 40))
            for _ in range(rng.integers(0, 3))
        ]
        found.append(
            [
                silhouette(f"S{k:02d}", view.photo_id, r, border=bool(rng.uniform() < 0.1))
                for k, r in enumerate(regions)
                if r.area > 50
            ]
        )
    solution = solve_views(found, lay.views)
    assert solution.tools or solution.lone or solution.outliers
    for tool in solution.tools:
        assert tool.region.is_valid
        assert tool.region.exterior.is_ccw
        assert len(tool.sigma_ring_mm) == len(tool.region.exterior.coords) - 1
        assert np.isfinite(tool.sigma_ring_mm).all()
        assert (tool.sigma_ring_mm > 0).all()
        assert np.isfinite([tool.height_mm, tool.height_sigma_mm, tool.bias_bound_mm]).all()
        assert all(bound is None or bound.is_valid for bound in (tool.outer, tool.inner))
        assert 0 <= tool.confidence <= 1
