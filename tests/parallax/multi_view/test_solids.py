"""Several photos of simple solids: outlines, heights, order, bounds, against exact geometry.

The solids' silhouettes are exact, so every error is the method's own. Limits are the measured
figure and about a third: the lays are few and the tools chosen to be awkward.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from tests.parallax.multi_view.lays import Lay, score, scores, solved_pairs
from tests.parallax.multi_view.solids import AROUND_4, AROUND_5, ROW_3, TOOLS, bench_lay, seen
from tracer.parallax.multi_view.views import ViewsSolution, solve_views


@pytest.fixture(scope="module")
def around() -> tuple[Lay, ViewsSolution]:
    lay = bench_lay(AROUND_4)
    return lay, solve_views(lay.silhouettes, lay.views)


def test_a_box_seen_from_the_side_is_as_geometry_says() -> None:
    """Top edge 35 high, 100 mm off the nadir, camera at 1500: shown at 100 * 1500 / 1465."""
    block = [p + np.array([150.0, 0.0, 0.0]) for p in TOOLS["block"][0]]  # x from 100 to 200
    x0, _, x1, _ = seen(block, np.array([0.0, 0.0, 1500.0])).bounds
    assert x0 == pytest.approx(100.0, abs=1e-3)
    assert x1 == pytest.approx(200.0 * 1500 / 1465, abs=1e-3)


def test_four_photos_around_measure_every_tool(around) -> None:
    lay, solution = around
    assert len(solution.tools) == len(lay.tools)
    assert not solution.lone
    assert not solution.outliers
    mean, p95, _, signed = np.median(scores(solution, lay), axis=0)
    assert mean < 0.33  # 0.24 measured over two lays
    assert p95 < 0.95  # 0.70
    assert abs(signed) < 0.25


def test_photos_together_beat_the_first_by_far(around) -> None:
    """Negative control: the silhouettes of the photo over the middle, as they are."""
    lay, solution = around
    first = lay.silhouettes[0]
    raw = [score(s.region, t.outline).mean for s, t in zip(first, lay.tools, strict=True)]
    assert np.median(raw) > 4 * np.median(scores(solution, lay)[:, 0])


def test_more_photos_leave_less_open() -> None:
    medians = []
    for places in (ROW_3, AROUND_5):
        lay = bench_lay(places, seed=3)
        solution = solve_views(lay.silhouettes, lay.views)
        widths = [
            (t.outer.area if t.outer else t.region.area)
            - (t.inner.area if t.inner else t.region.area)
            for t in solution.tools
        ]
        medians.append(np.mean(widths))
    assert medians[1] < 0.7 * medians[0]


def test_holes_are_kept(around) -> None:
    lay, solution = around
    pairs = {tool.name: found for tool, found in solved_pairs(solution, lay)}
    (hole,) = pairs["spanner"].region.interiors
    assert Polygon(hole).area == pytest.approx(np.pi * 8**2, rel=0.06)  # radius 8 typed in TOOLS
    assert all(not pairs[n].region.interiors for n in TOOLS if n != "spanner")


def test_heights_are_measured_within_their_sigma(around) -> None:
    lay, solution = around
    off = [
        (found.height_mm - tool.height_mm) / found.height_sigma_mm
        for tool, found in solved_pairs(solution, lay)
        if tool.name != "sander"  # its top stands back from every edge: no silhouette shows it
    ]
    assert np.mean(np.abs(off) <= 1) >= 0.6
    assert np.mean(np.abs(off) <= 2) >= 0.85


def test_edge_heights_tell_a_flat_foot_from_a_tall_body(around) -> None:
    lay, solution = around
    pairs = {tool.name: found for tool, found in solved_pairs(solution, lay)}
    assert np.percentile(pairs["spanner"].edges.high_mm, 95) < 12  # 9 mm plate
    assert np.percentile(pairs["wedge"].edges.high_mm, 95) > 25  # 40 mm at one end
    assert np.percentile(pairs["wedge"].edges.low_mm, 5) < 5  # 4 mm at the other


def test_bounds_hold_the_truth(around) -> None:
    """The outer bound is where anything consistent with the photos must end."""
    lay, solution = around
    held, kept = [], []
    for tool, found in solved_pairs(solution, lay):
        solid = Polygon(tool.outline.exterior)
        edge = shapely.points(np.asarray(solid.exterior.segmentize(1.0).coords))
        outer = found.outer if found.outer is not None else found.region
        inner = found.inner if found.inner is not None else found.region
        slack = 0.15  # sampling at 1.5 mm cuts corners
        held.append(np.mean(shapely.covers(Polygon(outer.exterior).buffer(slack), edge)))
        kept.append(solid.buffer(slack).intersection(inner).area / inner.area)
    assert np.mean(held) > 0.93
    assert np.mean(kept) > 0.97


def test_order_of_the_photos_does_not_matter() -> None:
    lay = bench_lay(AROUND_4, seed=2, names=("driver", "torch", "spanner", "block"))
    back = lay.photos(3, 2, 1, 0)
    one, other = (solve_views(x.silhouettes, x.views) for x in (lay, back))
    for (_, a), (_, b) in zip(solved_pairs(one, lay), solved_pairs(other, back), strict=True):
        assert score(a.region, b.region).mean < 0.1


def test_progress_runs_to_one() -> None:
    lay = bench_lay(ROW_3, names=("driver", "spanner"))
    done: list[float] = []
    solve_views(lay.silhouettes, lay.views, progress=done.append)
    assert done == sorted(done)
    assert done[-1] == 1.0
