"""Silhouettes of several photos sorted into tools: merged, broken, cut, out of frame, alike."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import box as rectangle

from tests.parallax.multi_view.damage import with_region
from tests.parallax.multi_view.lays import Lay, score, silhouette
from tests.parallax.multi_view.solids import (
    AROUND_4,
    ROW_3,
    TOOLS,
    bench_lay,
    box,
    camera,
    lay_of,
    slab,
    turned,
)
from tracer.geometry.rings import largest_polygon
from tracer.model.silhouette import Kind
from tracer.parallax.multi_view.correspond import group_silhouettes
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.views import solve_views

NAMES = ("driver", "torch", "spanner", "block")


def cameras_of(lay: Lay) -> list[Camera]:
    return [Camera(v.nadir_mm, v.height_mm) for v in lay.views]


def changed(lay: Lay, photo: int, *silhouettes) -> Lay:
    found = list(lay.silhouettes)
    found[photo] = tuple(silhouettes)
    return Lay(lay.views, tuple(found), lay.tools)


def members(lay: Lay) -> list[set[tuple[int, str]]]:
    return [
        {
            (p.photo, lay.silhouettes[p.photo][k].silhouette_id)
            for p in track.parts
            for k in p.silhouettes
        }
        for track in group_silhouettes(lay.silhouettes, cameras_of(lay))
    ]


def two_blocks(gap_mm: float, high_mm: float) -> Lay:
    """Two bars side by side, their long sides apart by a gap."""
    half = gap_mm / 2
    return lay_of(
        {
            "left": ([box(-60, -30 - half, 60, -half, 0, high_mm)], high_mm),
            "right": ([box(-60, half, 60, 30 + half, 0, high_mm)], high_mm),
        },
        [
            camera(f"photo-{k}", x, y, 1500, np.zeros(2), 3028)
            for k, (x, y) in enumerate([(0, 0), (-250, -200), (250, 200)])
        ],
    )


def test_every_tool_finds_itself_in_every_photo() -> None:
    lay = bench_lay(ROW_3, names=NAMES)
    tracks = members(lay)
    assert len(tracks) == len(NAMES)
    for k, track in enumerate(tracks):
        assert track == {(i, f"S{k + 1:02d}") for i in range(3)}


def test_equal_tools_in_a_row_are_not_exchanged() -> None:
    """Six equal spanners 36 mm apart: parallax of a 9 mm tool is 3 mm, of a 60 mm one 20 mm."""
    pieces, high = TOOLS["spanner"]
    names = {
        f"spanner {k}": ([turned(p, np.pi / 2, 36.0 * k - 90, 0) for p in pieces], high)
        for k in range(6)
    }
    lay = lay_of(names, bench_lay(AROUND_4, names=NAMES).views)
    for k, track in enumerate(members(lay)):
        assert track == {(i, f"S{k + 1:02d}") for i in range(4)}


@pytest.mark.parametrize("merging", [0, 1, 2])
def test_two_tools_run_together_in_one_photo_stay_two(merging: int) -> None:
    lay = two_blocks(8.0, 30.0)
    one, other = lay.silhouettes[merging]
    bridge = shapely.union_all([one.region, other.region]).buffer(6).buffer(-6)
    merged = changed(lay, merging, with_region(one, bridge))
    solution = solve_views(merged.silhouettes, merged.views)
    for tool in solution.tools:  # what the deviation is made of adds up to it, in squares
        assert math.hypot(*tool.budget_mm.values()) == pytest.approx(tool.sigma_mm, rel=1e-6)
    assert len(solution.tools) == 2
    for tool in lay.tools:
        best = min(score(t.region, tool.outline).mean for t in solution.tools)
        assert best < 1.0  # 0.3 to 0.6 measured: the gap's sides are seen by two photos only
    assert "tools-run-together" in {c.slug for c in solution.checks}


@pytest.mark.parametrize("clear", [0, 1, 2])
def test_one_clear_look_between_tools_outweighs_two_photos_that_fill_the_gap(clear: int) -> None:
    lay = two_blocks(8.0, 30.0)
    merged = lay
    for photo in {0, 1, 2} - {clear}:
        one, other = lay.silhouettes[photo]
        bridge = shapely.union_all([one.region, other.region]).buffer(6).buffer(-6)
        merged = changed(merged, photo, with_region(one, bridge))
    solution = solve_views(merged.silhouettes, merged.views)
    assert len(solution.tools) == 2
    for tool in lay.tools:
        best = min(score(t.region, tool.outline).mean for t in solution.tools)
        assert best < 2.5  # each side of the gap is seen by one photo
    assert "tools-run-together" in {c.slug for c in solution.checks}


def test_a_faint_gap_does_not_part_what_two_photos_show_as_one() -> None:
    """A dark stripe along a tool, taken for ground in one photo: its edges hardly stand out."""
    lay = two_blocks(8.0, 30.0)
    pieces = tuple(
        replace(s, edge_confidence=np.full(len(s.edge_confidence), 0.3)) for s in lay.silhouettes[0]
    )
    striped = changed(lay, 0, *pieces)
    for photo in (1, 2):
        one, other = lay.silhouettes[photo]
        bridge = shapely.union_all([one.region, other.region]).buffer(6).buffer(-6)
        striped = changed(striped, photo, with_region(one, bridge))
    assert len(solve_views(striped.silhouettes, striped.views).tools) == 1


def test_a_tool_cut_where_nothing_is_seen_between_stays_one_in_a_tie() -> None:
    """Two of four photos cut the block along its length, with no gap: they saw no sheet there."""
    lay = lay_of(
        {"block": ([box(-60, -35, 60, 35, 0, 30)], 30.0)},
        [
            camera(f"photo-{k}", x, y, 1500, np.zeros(2), 3028)
            for k, (x, y) in enumerate([(0, 0), (-250, -200), (250, 200), (0, 300)])
        ],
    )
    cut = lay
    for photo in (0, 3):
        (whole,) = lay.silhouettes[photo]
        x0, y0, x1, y1 = whole.region.bounds
        middle = (y0 + y1) / 2
        cut = changed(
            cut,
            photo,
            with_region(whole, whole.region.intersection(shapely.box(x0, y0, x1, middle))),
            replace(
                with_region(whole, whole.region.intersection(shapely.box(x0, middle, x1, y1))),
                silhouette_id="S02",
            ),
        )
    (tool,) = solve_views(cut.silhouettes, cut.views).tools
    assert score(tool.region, lay.tools[0].outline).mean < 1.0


def test_a_tool_that_forks_stays_one_where_one_photo_loses_the_joint() -> None:
    """Two legs 8 mm apart, joined at one end: the gap is open in the photos that show one tool."""
    lay = two_blocks(8.0, 30.0)
    forked = lay
    for photo in (1, 2):
        one, other = lay.silhouettes[photo]
        both = shapely.union_all([one.region, other.region])
        x0, y0, _, y1 = both.bounds
        joint = shapely.box(x0, y0 + 20, x0 + 12, y1 - 20)
        forked = changed(forked, photo, with_region(one, largest_polygon(both.union(joint))))
    assert len(solve_views(forked.silhouettes, forked.views).tools) == 1


@pytest.mark.parametrize("clear", [0, 1, 2])
def test_a_fork_whose_tines_end_at_its_neighbour_is_no_part_of_it(clear: int) -> None:
    """Two tines end 8 mm from a block; two photos of three fill both gaps, one sees the sheet."""
    fork = [
        box(-90, -22, -8, -10, 0, 5),
        box(-90, 10, -8, 22, 0, 5),
        box(-110, -22, -85, 22, 0, 5),
    ]
    lay = lay_of(
        {"fork": (fork, 5.0), "block": ([box(0, -30, 60, 30, 0, 5)], 5.0)},
        [
            camera(f"photo-{k}", x, y, 1500, np.zeros(2), 3028)
            for k, (x, y) in enumerate([(0, 0), (-250, -200), (250, 200)])
        ],
    )
    merged = lay
    for photo in range(3):
        dense = [with_region(s, shapely.segmentize(s.region, 1.0)) for s in lay.silhouettes[photo]]
        if photo != clear:
            both = shapely.union_all([s.region for s in dense])
            dense = [with_region(dense[0], largest_polygon(both.buffer(6).buffer(-6)))]
        merged = changed(merged, photo, *dense)
    solution = solve_views(merged.silhouettes, merged.views)
    assert len(solution.tools) == 2
    for tool in lay.tools:
        assert min(score(t.region, tool.outline).mean for t in solution.tools) < 1.5


def test_two_tools_run_together_in_one_of_two_photos_stay_two() -> None:
    lay = two_blocks(8.0, 30.0).photos(0, 2)
    one, other = lay.silhouettes[1]
    bridge = shapely.union_all([one.region, other.region]).buffer(6).buffer(-6)
    merged = changed(lay, 1, with_region(one, bridge))
    solution = solve_views(merged.silhouettes, merged.views)
    assert len(solution.tools) == 2
    assert (
        max(min(score(t.region, tool.outline).mean for t in solution.tools) for tool in lay.tools)
        < 2.0
    )


def test_a_tool_broken_in_one_photo_stays_one() -> None:
    """Glare cuts the driver's shaft through, over 25 mm, in the photo over the middle."""
    lay = bench_lay(ROW_3, names=("driver",))
    (whole,) = lay.silhouettes[0]
    middle = whole.region.representative_point()
    far = max(whole.region.exterior.coords, key=lambda p: middle.distance(shapely.Point(p)))
    cut = shapely.Point(0.55 * middle.x + 0.45 * far[0], 0.55 * middle.y + 0.45 * far[1]).buffer(13)
    pieces = sorted(shapely.get_parts(whole.region.difference(cut)), key=lambda p: -p.area)[:2]
    assert len(pieces) == 2
    broken = changed(
        lay,
        0,
        *(replace(with_region(whole, p), silhouette_id=f"S0{k + 1}") for k, p in enumerate(pieces)),
    )
    solution = solve_views(broken.silhouettes, broken.views)
    (tool,) = solution.tools
    assert score(tool.region, lay.tools[0].outline).mean < 0.4


def test_a_tool_cut_by_the_frame_is_solved_from_what_is_seen() -> None:
    lay = bench_lay(AROUND_4, names=NAMES)
    frame = rectangle(-1000, -1000, lay.tools[1].outline.centroid.x, 1000)
    cut = tuple(
        replace(with_region(s, largest_polygon(s.region.intersection(frame))), touches_border=True)
        if k == 1
        else s
        for k, s in enumerate(lay.silhouettes[2])
    )
    solution = solve_views(changed(lay, 2, *cut).silhouettes, lay.views)
    assert len(solution.tools) == len(NAMES)
    assert not any(t.cut_by_frame for t in solution.tools)
    best = min(score(t.region, lay.tools[1].outline).mean for t in solution.tools)
    assert best < 0.45  # 0.2 from four photos, here the cut edge of one is no edge


def test_a_tool_out_of_frame_in_one_photo_needs_no_excuse() -> None:
    lay = bench_lay(AROUND_4, names=NAMES)
    less = changed(lay, 3, *lay.silhouettes[3][1:])
    far = replace(less.views[3], size_px=(1, 1))  # what the photo would have to show it with
    less = Lay((*less.views[:3], far), less.silhouettes, less.tools)
    solution = solve_views(less.silhouettes, less.views)
    used = {len(t.photo_ids) for t in solution.tools}
    assert used == {3, 4}
    assert not solution.outliers


def test_cables_are_not_taken_for_tools() -> None:
    lay = bench_lay(ROW_3, names=("driver", "spanner"))
    cable = replace(lay.silhouettes[0][0], kind=Kind.CABLE)
    tracks = members(changed(lay, 0, cable, lay.silhouettes[0][1]))
    assert {(0, "S01")} in tracks
    assert {(1, "S01"), (2, "S01")} in tracks


def test_nothing_in_nothing_out() -> None:
    lay = bench_lay(ROW_3, names=("driver",))
    assert solve_views([(), (), ()], lay.views).tools == ()


def test_a_slanting_pyramid_is_no_trouble() -> None:
    """A tall pyramid, its top beside its foot: the photos see it in quite different places."""
    foot = np.array([[-30, -30], [30, -30], [30, 30], [-30, 30.0]])
    top = np.column_stack([0.2 * foot + [20, 0], np.full(4, 90.0)])
    solid = np.vstack([slab(foot, 0, 1), top])
    lay = lay_of({"pyramid": ([solid], 90.0)}, bench_lay(AROUND_4, names=NAMES).views)
    (tool,) = solve_views(lay.silhouettes, lay.views).tools
    assert score(tool.region, lay.tools[0].outline).mean < 1.0
    assert silhouette("S", "p", lay.tools[0].outline).region.area == pytest.approx(3600, rel=0.01)


def test_a_tool_broken_in_two_of_three_photos_stays_one() -> None:
    """A bright ring splits the tip of the driver off by 3 mm; the photo over the middle sees it."""
    lay = bench_lay(ROW_3, names=("driver",))
    found = [lay.silhouettes[0]]
    for some in lay.silhouettes[1:]:
        (whole,) = some
        middle = whole.region.centroid
        tip = max(whole.region.exterior.coords, key=lambda p: middle.distance(shapely.Point(p)))
        band = shapely.Point(tip).buffer(28).difference(shapely.Point(tip).buffer(25))
        pieces = sorted(shapely.get_parts(whole.region.difference(band)), key=lambda p: -p.area)
        assert len(pieces) == 2
        found.append(
            tuple(
                replace(with_region(whole, p), silhouette_id=f"S0{k + 1}")
                for k, p in enumerate(pieces)
            )
        )
    solution = solve_views(found, lay.views)
    (tool,) = solution.tools
    result = score(tool.region, lay.tools[0].outline)
    assert result.mean < 0.35
    assert result.largest < 8  # the tip is there
