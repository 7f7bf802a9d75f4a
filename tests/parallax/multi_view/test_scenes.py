"""Several photos of rendered tools: exact label maps and cameras, nothing typed.

Needs TRACER_SCENES, the folder of the rendered scenes. Distances are medians over the tools of a
lay, holes filled, no alignment. The limits are those the method is held to; measured stands beside.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from tests.benchmarks.truth import find_scenes
from tests.parallax.multi_view.damage import grown, with_region
from tests.parallax.multi_view.lays import Lay, edge_errors, read_lay, score, scores, solved_pairs
from tracer.parallax.multi_view.edges import Camera, EdgeSettings
from tracer.parallax.multi_view.oneheight import at_height
from tracer.parallax.multi_view.views import ViewsSolution, solve_views

FOLDER = os.environ.get("TRACER_SCENES")
pytestmark = [
    pytest.mark.skipif(not FOLDER, reason="TRACER_SCENES is not set: no rendered scenes"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def lays() -> dict[str, Lay]:
    found = {
        s.name[:3]: read_lay(s.folder)
        for s in find_scenes([Path(FOLDER or "")])
        if len(s.photos) >= 3
    }
    assert {"d04", "d05"} <= set(found)
    return found


@pytest.fixture(scope="module")
def solved(lays) -> dict[str, ViewsSolution]:
    return {name: solve_views(lay.silhouettes, lay.views) for name, lay in lays.items()}


@pytest.mark.parametrize(
    ("name", "mean_mm", "p95_mm", "signed_mm"),
    # measured 0.47 / 1.5 / -0.14 and 0.11 / 0.24 / -0.01; behind tall bodies a foot stays hidden,
    # so that tall tools come out a little small
    [("d04", 0.60, 2.6, 0.2), ("d05", 0.13, 0.30, 0.1)],
)
def test_three_photos(
    lays, solved, name: str, mean_mm: float, p95_mm: float, signed_mm: float
) -> None:
    mean, p95, _, signed = np.median(scores(solved[name], lays[name]), axis=0)
    assert mean < mean_mm
    assert p95 < p95_mm
    assert abs(signed) < signed_mm


@pytest.mark.parametrize(("name", "mean_mm"), [("d04", 1.0), ("d05", 0.25)])  # 0.80, 0.19
def test_two_photos(lays, name: str, mean_mm: float) -> None:
    lay = lays[name].photos(1, 2)
    assert np.median(scores(solve_views(lay.silhouettes, lay.views), lay)[:, 0]) < mean_mm


def test_sigma_is_honest(lays, solved) -> None:
    """Generous inside one sigma, right at two: what a pocket needs. Samples along an edge are
    correlated, so no binomial interval holds: the limits are what the method promises."""
    shares = []
    for name in ("d04", "d05"):
        error, sigma = edge_errors(solved[name], lays[name])
        shares.append([np.mean(np.abs(error) <= k * sigma) for k in (1, 2)])
    one, two = np.mean(shares, axis=0)
    assert 0.74 < one < 0.90
    assert two > 0.90


def test_heights_without_typing(lays, solved) -> None:
    off = [
        abs(found.height_mm - tool.height_mm)
        for name in ("d04", "d05")
        for tool, found in solved_pairs(solved[name], lays[name])
    ]
    assert np.median(off) < 3.0  # 1.8 measured over three lays


def test_outer_bound_holds_the_truth(lays, solved) -> None:
    held = []
    for name in ("d04", "d05"):
        for tool, found in solved_pairs(solved[name], lays[name]):
            edge = shapely.points(np.asarray(tool.outline.exterior.segmentize(1.0).coords))
            outer = Polygon((found.outer or found.region).exterior)
            held.append(np.mean(shapely.covers(outer.buffer(0.15), edge)))
    assert np.mean(held) > 0.95


def test_grown_silhouettes_grow_the_outlines(lays) -> None:
    """Negative control: an error common to all photos cannot be outvoted, and must show."""
    lay = grown(lays["d05"], 0.3)
    signed = np.median(scores(solve_views(lay.silhouettes, lay.views), lay)[:, 3])
    assert 0.2 < signed < 0.4


def test_one_grown_photo_is_outvoted(lays, solved) -> None:
    """The one over the middle; in a side photo a growth can pass for a height, and partly does."""
    lay = grown(lays["d05"], 0.5, photos=(0,))
    worse = np.median(scores(solve_views(lay.silhouettes, lay.views), lay)[:, 0])
    assert worse < np.median(scores(solved["d05"], lays["d05"])[:, 0]) + 0.12


def test_a_bite_in_the_steepest_photo_is_mended(lays) -> None:
    """Glare takes a piece of radius 8 out of each tool in one photo."""
    lay = lays["d05"]
    bitten = Lay(
        lay.views,
        (
            tuple(
                with_region(
                    s,
                    s.region.difference(
                        s.region.exterior.interpolate(0.37, normalized=True).buffer(8.0)
                    ),
                )
                for s in lay.silhouettes[0]
            ),
            *lay.silhouettes[1:],
        ),
        lay.tools,
    )
    mean, p95 = np.median(scores(solve_views(bitten.silhouettes, bitten.views), bitten), axis=0)[:2]
    assert mean < 0.16
    assert p95 < 0.40


def test_the_visual_hull_is_too_large(lays) -> None:
    """Negative control: the union of all slices that every photo allows, on tall tools."""
    lay = lays["d04"]
    cameras = [Camera(v.nadir_mm, v.height_mm) for v in lay.views]
    signed = []
    for k, tool in enumerate(lay.tools):
        slices = []
        for z in np.arange(0.0, tool.height_mm, 4.0):
            placed = [
                at_height(some[k].region.simplify(0.3), c, float(z))
                for some, c in zip(lay.silhouettes, cameras, strict=True)
            ]
            slices.append(shapely.intersection_all([shapely.make_valid(p) for p in placed]))
        hull = max(shapely.get_parts(shapely.union_all(slices)), key=lambda p: p.area)
        signed.append(score(hull, tool.outline).signed)
    assert np.median(signed) > 1.0


def test_far_apart_heights_spoil_small_tools(lays, solved) -> None:
    """Negative control: taking every edge as seen at two very different heights."""
    lay = lays["d05"]
    wide = solve_views(lay.silhouettes, lay.views, settings=EdgeSettings(open_share=0.9))
    assert np.median(scores(wide, lay)[:, 0]) > 1.5 * np.median(scores(solved["d05"], lay)[:, 0])
