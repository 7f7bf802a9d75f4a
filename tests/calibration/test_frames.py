"""Frames, footprints and maps of a calibration, against closed forms and general libraries."""

from __future__ import annotations

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely import affinity
from shapely.geometry import Polygon, box

from tests.calibration.bench import (
    BOARD_MM,
    Flaws,
    detect,
    draw_papers,
    lone_card,
    make_photo,
    make_view,
    rim,
)
from tracer.calibration.calibrate import calibrate, solve_lay
from tracer.calibration.findings import check_outlines
from tracer.calibration.initial import card_on_plane, guess_photo, rigid_2d
from tracer.calibration.lay import Lay
from tracer.calibration.layout import Layout
from tracer.calibration.lens import project
from tracer.calibration.quality import sigma_on_sheet, spread_over
from tracer.calibration.result import _footprint, _grid_lines, _lower_left, _sigma_map
from tracer.model.calibration import SigmaMap
from tracer.model.card import inner_corners_card_mm
from tracer.model.report import Severity


@given(st.floats(-3.1, 3.1), st.floats(-900, 900), st.floats(-900, 900), st.integers(2, 9))
@settings(max_examples=40, deadline=None)
def test_a_rigid_fit_is_the_librarys(angle: float, x: float, y: float, count: int) -> None:
    """Reference: scipy's `Rotation.align_vectors` of centred points."""
    rng = np.random.default_rng(count)
    source = rng.uniform(-100, 100, (count, 2)) + np.array([500, -200])
    c, s = np.cos(angle), np.sin(angle)
    target = source @ np.array([[c, s], [-s, c]]) + (x, y) + rng.normal(0, 0.5, (count, 2))
    turn, shift = rigid_2d(source, target)
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    lift = [np.column_stack([p, np.zeros(count)]) for p in (b, a)]
    wanted = Rotation.align_vectors(*lift)[0].as_rotvec()[2] if count > 2 else turn
    assert np.exp(1j * turn) == pytest.approx(np.exp(1j * wanted), abs=1e-6)
    c, s = np.cos(turn), np.sin(turn)
    assert source.mean(axis=0) @ np.array([[c, s], [-s, c]]) + shift == pytest.approx(
        target.mean(axis=0)
    )


@given(st.floats(-3, 3), st.floats(-500, 500), st.floats(-500, 500))
@settings(max_examples=20, deadline=None)
def test_another_frame_of_a_lay_shows_the_same_photo(angle: float, x: float, y: float) -> None:
    """Places and poses go together: the pixels of every card stay."""
    view = make_view(tilt_deg=9.0)
    pose = np.concatenate([Rotation.from_matrix(view.R).as_rotvec(), view.t, [0.0]])
    lens = np.array([np.log(3000.0), 2000.0, 1500.0, -0.05, 0.01, 0.0, 3e-4, -2e-4])
    lay = Lay((lens,), (pose,), {1: (300.0, 200.0, 0.4), 5: (700.0, 90.0, -2.9)}, {})
    other = lay.moved(angle, np.array([x, y]))
    own = other.seen_from(5, BOARD_MM)
    assert own.places[5] == pytest.approx((*(np.array(BOARD_MM) / 2), 0.0), abs=1e-6)

    def shown(of: Lay) -> np.ndarray:
        layout = Layout((0,), (BOARD_MM, BOARD_MM), 0)
        values = np.zeros(layout.size)
        for card, number in enumerate((1, 5)):
            start = layout.card(card).start
            values[start : start + 3] = of.places[number]
        points, _ = layout.corner_points(values, np.repeat([0, 1], 15), np.tile(np.arange(15), 2))
        return project(of.lenses[0], of.poses[0][:6], points)[0]

    assert shown(other) == pytest.approx(shown(lay), abs=1e-6)
    assert shown(own) == pytest.approx(shown(lay), abs=1e-6)
    assert all(-np.pi <= p[2] <= np.pi for p in other.places.values())


@pytest.mark.parametrize("tilt", [3.0, 20.0])
@pytest.mark.parametrize("place", [(300.0, 100.0, 0.0), (80.0, 400.0, 2.5), (600.0, 420.0, -1.2)])
def test_a_card_on_a_known_plane_lies_where_it_does(tilt: float, place) -> None:
    view = make_view(tilt_deg=tilt)
    card = lone_card(view, place)
    ideal = (card.points_px - view.K[:2, 2]) / view.K[0, 0]
    top = view.t + view.R[:, 2] * 0.2  # the plane of the printed faces, a sheet of card up
    found, misfit = card_on_plane(card, BOARD_MM, ideal, view.R, top)
    x, y, angle = place
    c, s = np.cos(angle), np.sin(angle)
    middle = np.array([x, y]) + np.array([[c, -s], [s, c]]) @ np.array(BOARD_MM) / 2
    assert found[:2] == pytest.approx(middle, abs=0.1)
    assert np.exp(1j * found[2]) == pytest.approx(np.exp(1j * angle), abs=1e-3)
    assert misfit < 0.02
    # on a plane 3 % nearer it is as much smaller than printed: what is over is its own stretch
    _, off = card_on_plane(card, BOARD_MM, ideal, view.R, 0.97 * top)
    flat = inner_corners_card_mm() - np.array(BOARD_MM) / 2
    assert off == pytest.approx(0.03 * np.sqrt(np.mean(np.sum(flat**2, axis=1))), rel=0.15)


def test_the_best_guess_of_a_photo_is_its_pose() -> None:
    view = make_view(tilt_deg=14.0)
    rng = np.random.default_rng(0)
    seen = detect(view, draw_papers(rim(4), Flaws(), rng), 0.05, rng).cards
    ideal = {k: (c.points_px - view.K[:2, 2]) / view.K[0, 0] for k, c in seen.items()}
    guesses = guess_photo(seen, dict.fromkeys(seen, BOARD_MM), ideal, view.K[0, 0])
    assert 1 <= len(guesses) <= 4
    assert [g.misfit_px for g in guesses] == sorted(g.misfit_px for g in guesses)
    assert guesses[0].misfit_px < 1.5
    for guess in guesses:  # all but the worst card count: a curled one must not decide
        R, t = Rotation.from_rotvec(guess.pose[:3]).as_matrix(), guess.pose[3:]
        off = [card_on_plane(c, BOARD_MM, ideal[k], R, t)[1] for k, c in seen.items()]
        left = np.sort(np.array(off) * view.K[0, 0] / t[2])[:-1]
        assert guess.misfit_px == pytest.approx(np.sqrt(np.mean(left**2)), rel=1e-6)
    tilt = Rotation.from_rotvec(guesses[0].pose[:3]).as_matrix()[2, 2]
    assert np.degrees(np.arccos(-tilt)) == pytest.approx(14.0, abs=0.5)
    for a in seen:
        for b in seen:
            apart = np.subtract(guesses[0].places[a][:2], guesses[0].places[b][:2])
            assert np.linalg.norm(apart) == pytest.approx(
                np.hypot(*np.subtract(rim(4)[a][:2], rim(4)[b][:2])), abs=4.0
            )


@given(st.floats(-3.1, 3.1), st.floats(-500, 500), st.floats(50, 300))
def test_the_corner_of_a_placed_card_is_half_its_size_from_its_middle(angle, x, width) -> None:
    size = (width, width / 1.5)
    at = _lower_left((x, -80.0, angle), size)
    turned = affinity.rotate(box(0, 0, *size), angle, origin=(0, 0), use_radians=True)
    there = affinity.translate(turned, at[0], at[1])
    assert (there.centroid.x, there.centroid.y) == pytest.approx((x, -80.0), abs=1e-6)
    assert at[2] == angle


def test_a_photos_footprint_is_its_rim_on_the_sheet() -> None:
    view = make_view(tilt_deg=12.0, dist=(-0.05, 0.01, 0, 0, 0))
    rim_px = view.to_photo(np.column_stack([_footprint([view]), np.zeros(20)]))
    w, h = view.size_px
    on_rim = np.minimum(
        np.minimum(np.abs(rim_px[:, 0]), np.abs(rim_px[:, 0] - (w - 1))),
        np.minimum(np.abs(rim_px[:, 1]), np.abs(rim_px[:, 1] - (h - 1))),
    )
    assert on_rim == pytest.approx(0.0, abs=1e-3)
    # five along every side, corners twice
    for axis, end in ((0, 0), (0, w - 1), (1, 0), (1, h - 1)):
        along = np.sort(rim_px[np.abs(rim_px[:, axis] - end) < 1e-2, 1 - axis])
        assert along[[0, -1]] == pytest.approx([0, (h, w)[axis] - 1], abs=1e-2)
        assert len(np.unique(along.round(1))) == 5


def test_lines_of_the_map_reach_as_far_as_the_photos() -> None:
    assert _grid_lines(0.0, 100.0, 5, np.empty(0)) == pytest.approx([0, 25, 50, 75, 100])
    inside = _grid_lines(0.0, 100.0, 5, np.array([3.0, 90.0]))
    assert inside == pytest.approx([0, 25, 50, 75, 100])
    left = _grid_lines(0.0, 100.0, 5, np.array([-50.0, 60.0]))
    assert left == pytest.approx([-50, -40, -30, -20, -10, 0, 25, 50, 75, 100])
    right = _grid_lines(0.0, 100.0, 5, np.array([20.0, 150.0]))
    assert right == pytest.approx([0, 25, 50, 75, 100, 110, 120, 130, 140, 150])


def two_photos():
    views = [make_view("a"), make_view("b", height_mm=2600.0, tilt_deg=12.0, towards_deg=200.0)]
    rng = np.random.default_rng(0)
    papers = draw_papers(rim(4), Flaws(), rng)
    return views, [detect(v, papers, 0.1, rng) for v in views]


def test_the_map_states_the_worst_photo_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    views, seen = two_photos()
    kept = {}

    def spy(fit, lay_mm, shown):
        kept["args"] = fit, lay_mm
        return _sigma_map(fit, lay_mm, shown)

    monkeypatch.setattr("tracer.calibration.result._sigma_map", spy)
    solved = solve_lay([make_photo(v) for v in views], seen)
    fit, lay_mm = kept["args"]
    x, y = np.meshgrid(solved.sigma.x_mm, solved.sigma.y_mm)
    nodes = np.column_stack([x.ravel(), y.ravel()])
    each = [sigma_on_sheet(fit, k, lay_mm, nodes) for k in (0, 1)]
    assert solved.sigma.at(nodes) == pytest.approx(np.maximum(*each))
    assert (each[0] < 0.8 * each[1]).any()  # they differ: the better one would show


def test_a_card_that_a_photo_cannot_do_without_is_not_left_out_in_turn() -> None:
    views, seen = two_photos()
    lone = replace(seen[1], cards={2: seen[1].cards[2]})
    solved = solve_lay([make_photo(v) for v in views], [seen[0], lone])
    assert sorted(solved.leave_one_out_mm) == [0, 1, 3]
    both = solve_lay([make_photo(v) for v in views], seen)
    assert sorted(both.leave_one_out_mm) == [0, 1, 2, 3]
    assert max(both.leave_one_out_mm.values()) < 0.5


def test_points_spread_over_a_lay() -> None:
    found = spread_over([(10.0, 20.0), (50.0, 60.0), (30.0, 90.0)], 3)
    assert sorted(map(tuple, found.tolist())) == [
        (x, y) for x in (10.0, 30.0, 50.0) for y in (20.0, 55.0, 90.0)
    ]


@pytest.mark.parametrize(
    ("sigma", "slug"), [(0.49, None), (0.51, "outline-uncertain"), (5.0, "outline-unmeasured")]
)
def test_outlines_where_the_sheet_is_hardly_known(sigma: float, slug: str | None) -> None:
    from tracer.calibration.findings import NEAR_HULL_MM, SIGMA_FAIL_MM, SIGMA_WARN_MM

    axis = np.array([-1000.0, 1000.0])
    hull = box(0, 0, 400, 300)
    at = {0.49: SIGMA_WARN_MM - 0.01, 0.51: SIGMA_WARN_MM + 0.01, 5.0: SIGMA_FAIL_MM + 0.01}[sigma]
    known = SimpleNamespace(sigma=SigmaMap(axis, axis, np.full((2, 2), at)), hull_mm=hull)
    inside = box(100, 100, 200, 150)
    checks = check_outlines(known, [("T01", inside), ("T02", Polygon())])  # type: ignore[arg-type]
    assert [c.slug for c in checks] == ([slug] if slug else [])
    for check in checks:
        assert check.value == pytest.approx(at)
        assert check.severity is (Severity.FAIL if slug == "outline-unmeasured" else Severity.WARN)
    for beyond, told in ((NEAR_HULL_MM - 1, False), (NEAR_HULL_MM + 1, True)):
        away = box(350, 100, 400 + beyond, 150)
        found = check_outlines(known, [("T01", away)])  # type: ignore[arg-type]
        hits = [c for c in found if c.slug == "outline-beyond-cards"]
        assert [c.value for c in hits] == ([pytest.approx(beyond)] if told else [])


@pytest.mark.parametrize("count", [1, 2])
def test_progress_runs_evenly_from_photo_to_photo_and_on_to_its_end(count, monkeypatch) -> None:
    """Seven tenths for finding cards, shared by the photos; the rest for the lay."""
    views, seen = two_photos()
    answers = iter(seen)
    module = sys.modules[calibrate.__module__]
    monkeypatch.setattr(module, "grey_of", lambda photo: photo)
    monkeypatch.setattr(module, "detect_cards", lambda grey, name, focal: next(answers))
    told: list[float] = []
    calibrate([make_photo(v) for v in views[:count]], progress=told.append)
    assert told[:count] == pytest.approx([0.7 * (k + 1) / count for k in range(count)])
    assert told == sorted(told) and 0.85 < told[-1] <= 1.0
