"""What several photos let us say: moved tools, ghosts, mirror images, typed heights, advice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import Point

from tests.parallax.multi_view.damage import mirrored_below, moved_tool, with_region
from tests.parallax.multi_view.lays import Lay, score, scores, silhouette, solved_pairs
from tests.parallax.multi_view.solids import AROUND_4, ROW_3, bench_lay, camera, placed_tools, seen
from tracer.model.calibration import Calibration, SigmaMap
from tracer.model.outline import EdgeModel, HeightSource
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.views import TypedHeight, ViewsSolution, solve_views

NAMES = ("driver", "torch", "spanner", "block")


@pytest.fixture(scope="module")
def lay() -> Lay:
    return bench_lay(AROUND_4, names=NAMES)


@pytest.fixture(scope="module")
def solution(lay) -> ViewsSolution:
    return solve_views(lay.silhouettes, lay.views)


def with_photo(lay: Lay, photo: int, silhouettes: list[Silhouette]) -> Lay:
    found = list(lay.silhouettes)
    found[photo] = tuple(silhouettes)
    return Lay(lay.views, tuple(found), lay.tools)


def solve(lay: Lay, **more) -> ViewsSolution:
    return solve_views(lay.silhouettes, lay.views, **more)


def slugs(solution: ViewsSolution) -> list[str]:
    return [c.slug for c in solution.checks]


def check(solution: ViewsSolution, slug: str) -> Check:
    (found,) = [c for c in solution.checks if c.slug == slug]
    return found


def test_a_sound_lay_draws_no_complaint(solution) -> None:
    assert not {"tool-moved", "photo-disagrees", "not-confirmed", "seen-in-one-photo"} & set(
        slugs(solution)
    )


def with_patch(lay: Lay, faint: bool) -> Lay:
    """The lay with a patch of 60 x 40 mm flat on the sheet: all photos see it in the same place."""
    patch = shapely.box(-30, 180, 30, 220)
    seen_so = [
        [
            *some,
            replace(
                silhouette("S09", some[0].photo_id, patch),
                edge_confidence=np.full(4, 0.1 if faint else 0.9),
            ),
        ]
        for some in lay.silhouettes
    ]
    return Lay(lay.views, tuple(tuple(some) for some in seen_so), lay.tools)


def test_a_stain_that_all_photos_see_is_left_out(lay) -> None:
    solution = solve(with_patch(lay, faint=True))
    assert len(solution.tools) == len(NAMES)
    assert "flat-left-out" in slugs(solution)
    spot = lay.views[0].to_photo([[0.0, 200.0]])[0]
    named = TypedHeight(lay.views[0].photo_id, (float(spot[0]), float(spot[1])), 1.0)
    assert len(solve(with_patch(lay, faint=True), typed=[named]).tools) == len(NAMES) + 1


def test_a_flat_shape_with_clear_edges_is_kept_and_told(lay, solution) -> None:
    found = solve(with_patch(lay, faint=False))
    assert len(found.tools) == len(NAMES) + 1
    (flat,) = [c for c in found.checks if c.slug == "flat-on-sheet"]
    assert flat.where_mm == pytest.approx((0, 200), abs=2)
    assert "flat-on-sheet" not in slugs(solution)  # the spanner is 9 mm high


def test_a_tool_moved_far_is_named_and_that_photo_left_out(lay) -> None:
    some = list(lay.silhouettes[2])
    some[0] = with_region(some[0], moved_tool(some[0].region, 60.0, -150.0, 25.0))
    found = solve(with_photo(lay, 2, some))
    complaint = check(found, "tool-moved")
    assert complaint.severity is Severity.WARN
    assert "photo 3" in complaint.sentence
    assert len(found.tools) == len(NAMES)
    used = solved_pairs(found, lay)[0][1].photo_ids
    assert used == ("photo-1", "photo-2", "photo-4")


def test_a_tool_nudged_is_named(lay, solution) -> None:
    """4 mm and 2 degrees, less than a height could explain in one direction."""
    some = list(lay.silhouettes[2])
    some[0] = with_region(some[0], moved_tool(some[0].region, 3.0, -4.0, 2.0))
    found = solve(with_photo(lay, 2, some))
    complaint = check(found, "tool-moved")
    assert "Photo 3" in complaint.sentence
    assert complaint.value is not None
    assert 1.5 < complaint.value < 12
    assert complaint.subject_id == "S01"


def test_a_photo_that_shifts_everything_is_named_once(lay) -> None:
    some = [with_region(s, translate(s.region, 3.0, -4.0)) for s in lay.silhouettes[2]]
    found = solve(with_photo(lay, 2, some))
    assert "tool-moved" not in slugs(found)
    told = check(found, "photo-disagrees")
    assert "Photo 3" in told.sentence and told.severity is Severity.WARN


def test_a_ghost_in_one_photo_is_left_out(lay) -> None:
    """A shadow on the bare sheet that the other three photos do not show."""
    ghost = silhouette("S09", "photo-2", Point(0, 0).buffer(25))
    found = solve(with_photo(lay, 1, [*lay.silhouettes[1], ghost]))
    assert len(found.tools) == len(NAMES)
    assert [s.silhouette.silhouette_id for s in found.outliers] == ["S09"]
    assert check(found, "not-confirmed").subject_id == "S09"


def test_a_find_that_only_one_other_photo_misses_is_kept_with_a_warning(lay) -> None:
    two = lay.photos(0, 1)
    found = solve(with_photo(two, 1, list(two.silhouettes[1][1:])))
    assert [s.silhouette_id for s in found.lone] == ["S01"]
    assert check(found, "seen-in-one-photo").subject_id == "S01"


def test_a_mirror_image_is_left_out(lay) -> None:
    """A patch 12 mm below the sheet, as the mirror image of something 12 mm above it."""
    patch = translate(Point(0, 0).buffer(40), 30, 10)
    images = [
        [
            *some,
            silhouette(
                "S09",
                view.photo_id,
                mirrored_below(patch, view.nadir_mm, view.height_mm, 12.0),
            ),
        ]
        for some, view in zip(lay.silhouettes, lay.views, strict=True)
    ]
    found = solve(Lay(lay.views, tuple(tuple(some) for some in images), lay.tools))
    assert len(found.tools) == len(NAMES)
    assert "mirror-image" in slugs(found)


def typed(lay: Lay, index: int, height_mm: float) -> TypedHeight:
    point = lay.silhouettes[0][index].region.representative_point()
    x, y = lay.views[0].to_photo([[point.x, point.y]])[0]
    return TypedHeight("photo-1", (float(x), float(y)), height_mm)


def test_a_true_typed_height_is_taken_over_and_changes_little(lay, solution) -> None:
    found = solve(lay, typed=[typed(lay, 0, 29.0)])
    with_it, without = (solved_pairs(s, lay)[0][1] for s in (found, solution))
    assert with_it.height_mm == 29.0
    assert with_it.height_source is HeightSource.TYPED
    assert without.height_source is HeightSource.MEASURED
    assert score(with_it.region, without.region).mean < 0.1
    assert "typed-height-contradicted" not in slugs(found)


@pytest.mark.parametrize("wrong_mm", [4.0, 290.0])  # 29 is true: edges seen at 16 and more
def test_a_wrong_typed_height_is_contradicted(lay, wrong_mm: float) -> None:
    found = solve(lay, typed=[typed(lay, 0, wrong_mm)])
    complaint = check(found, "typed-height-contradicted")
    assert complaint.value == wrong_mm
    assert complaint.subject_id == "S01"
    assert np.median(scores(found, lay)[:, 0]) < 0.35  # the outlines do not follow the slip


def test_photos_from_one_place_are_refused_as_a_measure() -> None:
    views = [camera(f"photo-{k}", 20.0 * k, 0, 1500, np.zeros(2), 3028) for k in (1, 2)]
    near = bench_lay(ROW_3, names=("driver", "spanner"))
    two = Lay(tuple(views), near.silhouettes[:2], near.tools)
    assert "photos-too-close" in slugs(solve(two))
    assert "photos-too-close" not in slugs(solve(near))


def test_advice_points_to_the_open_side() -> None:
    """Three photos in a row along the near side; the box's far sides stay open."""
    places = ((0.0, -0.9), (-0.35, -0.9), (0.35, -0.9))
    row = bench_lay(places, names=("block", "sander", "drill", "tub"), high_mm=1200)
    found = solve(row)
    sided = [c for c in found.checks if c.slug == "edge-from-one-side"]
    assert len(sided) >= 2
    advice = check(found, "further-photo")
    assert advice.where_mm is not None
    assert advice.where_mm[1] > 0  # beyond the tools, where no photo was taken from
    assert advice.value is not None
    assert advice.limit is not None
    assert advice.value < advice.limit

    x, y = advice.where_mm
    view = camera("photo-4", x, y, 1200, np.zeros(2), 3028)
    shown = tuple(
        silhouette(f"S{k + 1:02d}", "photo-4", seen(pieces, view.centre_mm))
        for k, pieces in enumerate(placed_tools([t.name for t in row.tools]))
    )
    four = solve(Lay((*row.views, view), (*row.silhouettes, shown), row.tools))
    before, after = (np.mean([t.sigma_mm for t in s.tools]) for s in (found, four))
    assert after < 0.8 * before


def test_outlines_carry_what_is_known(lay, solution) -> None:
    tool = solution.tools[0]
    outline = tool.outline("T01", "driver")
    assert outline.method is EdgeModel.VIEWS
    assert len(outline.sigma_ring_mm) == len(outline.region.exterior.coords) - 1
    assert outline.photo_ids == ("photo-1", "photo-2", "photo-3", "photo-4")
    x, y = lay.views[0].to_sheet([outline.point_px])[0]
    assert lay.silhouettes[0][0].region.contains(Point(x, y))


def test_calibration_adds_to_sigma(lay, solution) -> None:
    grid = np.array([-500.0, 500.0])
    block = Point(0, 0).buffer(400)
    calibration = Calibration(
        views=lay.views,
        cards=(),
        hull_mm=block,
        sigma=SigmaMap(grid, grid, np.full((2, 2), 0.5)),
        pose_cov={},
        sigma_px=0.1,
        rms_px=0.1,
        max_px=0.3,
    )
    found = solve(lay, calibration=calibration)
    for with_it, without in zip(found.tools, solution.tools, strict=True):
        assert with_it.sigma_ring_mm == pytest.approx(np.hypot(without.sigma_ring_mm, 0.5))


def test_doubtful_silhouettes_widen_sigma(lay, solution) -> None:
    vague = tuple(
        tuple(replace(s, sigma_mm=np.full(len(s.sigma_mm), 0.6)) for s in some)
        for some in lay.silhouettes
    )
    found = solve(Lay(lay.views, vague, lay.tools))
    # 0.6 mm per photo, three photos that agree, raised by a fifth for what goes wrong in common
    assert np.mean([t.sigma_mm for t in found.tools]) > 1.2 * 0.6 / np.sqrt(3)
    assert np.mean([t.sigma_mm for t in solution.tools]) < 0.35
