"""Photos joined by the cards they share: rigid motions, who was moved, what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from tests.calibration.bench import (
    BOARD_MM,
    Fault,
    Flaws,
    Place,
    detect,
    draw_papers,
    make_photo,
    make_view,
    rim,
)
from tracer.calibration import bundle
from tracer.calibration.bundle import (
    _apart_mm,
    _corners,
    _match,
    _off_mm,
    _seen_fault,
    _size_fault,
    corner_noise,
    join_photos,
    listed,
    settle,
    solve_photo,
)
from tracer.calibration.detect import SeenCard
from tracer.calibration.lay import Lay, Problem, _mat_priors, fit_lay
from tracer.calibration.layout import Layout
from tracer.calibration.optics import group_cameras, optics_of
from tracer.calibration.quality import TOLERATED
from tracer.errors import TracerError
from tracer.model.card import CardSizes
from tracer.model.view import View

SIZES = CardSizes()
LEFT = make_view("a", shift_mm=(-300.0, 0.0), aim=True)
RIGHT = make_view("b", shift_mm=(300.0, 50.0), aim=True)


def problem_of(
    views: list[View],
    papers: list[Mapping[int, np.ndarray]],
    *,
    noise_px: float = 0.05,
    faults: Mapping[int, Fault] | None = None,
) -> Problem:
    """Simulated photos of simulated papers, one set per photo; faults in the last photo alone."""
    rng = np.random.default_rng(3)
    photos = [make_photo(v) for v in views]
    optics = [optics_of(p) for p in photos]
    seen = [
        detect(v, p, noise_px, rng, faults if k == len(views) - 1 else None)
        for k, (v, p) in enumerate(zip(views, papers, strict=True))
    ]
    return Problem(
        tuple(photos),
        tuple(optics),
        group_cameras(photos, optics),
        tuple(d.cards for d in seen),
        SIZES,
    )


def flat(places: Mapping[int, Place]) -> dict[int, np.ndarray]:
    return draw_papers(places, Flaws(), np.random.default_rng(1))


def alone(problem: Problem) -> list[Lay]:
    return [solve_photo(problem.only(k), 0.0) for k in range(len(problem.photos))]


@given(
    st.floats(-500, 500), st.floats(-500, 500), st.floats(-3.1, 3.1), st.floats(20, 300),
    st.floats(20, 300),
)  # fmt: skip
def test_corners_of_a_place_are_those_of_a_turned_box(x, y, angle, width, height) -> None:
    """Reference: shapely's rotate and translate."""
    box = shapely.box(-width / 2, -height / 2, width / 2, height / 2)
    turned = affinity.translate(affinity.rotate(box, angle, origin=(0, 0), use_radians=True), x, y)
    found = shapely.Polygon(_corners((x, y, angle), (width, height)))
    assert found.hausdorff_distance(turned) < 1e-6
    assert found.exterior.is_ccw


@given(st.integers(0, 2**32 - 1), st.integers(3, 7), st.integers(0, 2))
@settings(max_examples=40, deadline=None)
def test_a_rigid_motion_is_found_though_some_cards_were_moved(seed, count, moved) -> None:
    rng = np.random.default_rng(seed)
    moved = min(moved, count - 2)
    places = {
        k: (float(200 * k), float(rng.uniform(-300, 300)), float(rng.uniform(-3, 3)))
        for k in range(count)
    }
    angle, shift = float(rng.uniform(-3, 3)), rng.uniform(-500, 500, 2)
    there = Lay((), (), places, {}).moved(angle, shift).places
    spoilt = dict(places)
    for k in rng.choice(count, moved, replace=False):
        x, y, turn = places[int(k)]
        way = rng.uniform(0, 2 * np.pi)
        spoilt[int(k)] = (x + 40 * (k + 1) * np.cos(way), y + 40 * (k + 1) * np.sin(way), turn)
    problem = problem_of([LEFT], [flat(rim(1))])
    found, by, agree, odd = _match(there, spoilt, problem)
    assert odd == [k for k in range(count) if spoilt[k] != places[k]]
    assert agree == [k for k in range(count) if k not in odd]
    assert np.exp(1j * found) == pytest.approx(np.exp(1j * angle), abs=1e-6)
    assert by == pytest.approx(shift, abs=1e-3)


def test_cards_agree_within_a_millimetre_and_two_of_a_thousand_of_the_lay() -> None:
    """1 mm and 0.002 of 1000 mm: a card shifted across by less is as photos solved alone see it."""
    problem = problem_of([LEFT], [flat(rim(1))])
    places = {0: (0.0, 0.0, 0.0), 1: (832.0, 0.0, 0.0), 2: (416.0, 600.0, 0.0)}
    for away, odd in ((2.9, []), (3.2, [2])):
        here = {**places, 2: (416.0, 600.0 + away, 0.0)}
        assert _match(places, here, problem)[3] == odd
    # none fits: nothing is known of the motion
    lone = {0: (0.0, 0.0, 0.0)}
    assert _match(lone, {0: (5.0, 3.0, 1.0)}, problem)[2] == [0]  # one card alone always fits


def test_of_two_pairs_that_fit_the_closer_one_is_taken() -> None:
    problem = problem_of([LEFT], [flat(rim(1))])
    here = {k: (400.0 * k, 0.0, 0.0) for k in range(4)}
    # 0 and 1 lie as before to 0.1 mm, 2 and 3 to 0.5 mm, the two pairs 30 mm apart
    there = {0: (0.0, 0, 0), 1: (400.1, 0, 0), 2: (830.0, 0, 0), 3: (1230.5, 0, 0)}
    angle, shift, agree, odd = _match(there, here, problem)
    assert (agree, odd) == ([0, 1], [2, 3])
    assert shift == pytest.approx([0.05, 0.0], abs=1e-6) and angle == pytest.approx(0.0)


def test_the_frame_of_the_photo_with_most_cards_holds_for_all() -> None:
    places = rim(5)
    few = {k: places[k] for k in (0, 2, 4)}
    problem = problem_of([RIGHT, LEFT], [flat(few), flat(places)])
    lays = alone(problem)
    joined = join_photos(problem, lays)
    assert joined.dropped == ()
    for number, place in lays[1].places.items():
        assert joined.lay.places[number] == pytest.approx(place)
    # the other photo's pose, carried along, sees its cards where they lie now
    moved = joined.lay.poses[0]
    again = lays[0]
    for number in few:
        seen = _corners(again.places[number], BOARD_MM)
        at = _corners(joined.lay.places[number], BOARD_MM)
        a, b = (
            rotation_of(pose) @ np.append(p.mean(axis=0), 0.0) + pose[3:6]
            for pose, p in ((again.poses[0], seen), (moved, at))
        )
        assert a == pytest.approx(b, abs=2.0)


def rotation_of(pose: np.ndarray) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_rotvec(pose[:3]).as_matrix()


@pytest.mark.parametrize(
    ("shared", "moved", "outcome"),
    [
        ((0, 1, 2, 3), (3,), "dropped"),
        ((0, 1, 2), (2,), "dropped"),
        ((0, 1), (1,), "photo-of-another-lay"),  # of two it is not known which
        ((0, 1, 2, 3), (2, 3), "photo-of-another-lay"),
        ((0,), (0,), "joined"),  # one alone always fits
        ((), (), "photo-without-shared-card"),
    ],
)
def test_how_many_cards_must_lie_as_before(shared, moved, outcome: str) -> None:
    places = rim(7)
    second = {k: places[k] for k in (shared or (4, 5))}
    first = {k: p for k, p in places.items() if shared or k not in second}
    shifts = {2: (25.0, 0.0), 3: (0.0, -40.0), 1: (20.0, 10.0), 0: (9.0, 9.0)}
    faults = {k: Fault(moved_mm=shifts[k]) for k in moved}
    problem = problem_of([LEFT, RIGHT], [flat(first), flat(second)], faults=faults)
    if outcome.startswith("photo-"):
        with pytest.raises(TracerError) as refused:
            join_photos(problem, alone(problem))
        assert refused.value.slug == outcome
        return
    joined = join_photos(problem, alone(problem))
    gone = [d.number for d in joined.dropped]
    assert gone == (list(moved) if outcome == "dropped" else [])
    assert all(d.moved for d in joined.dropped)
    assert set(joined.problem.numbers) == set(first) - set(gone) == set(joined.lay.places)


def test_noise_is_pooled_by_degrees_of_freedom() -> None:
    """Two cards, 0.1 px on 30 - 8 and 0.3 px on 14 - 8 degrees (15 and 7 corners of 2 axes)."""
    problem = problem_of([LEFT], [flat(rim(2))])
    cards = problem.seen[0]

    def with_noise(first: float, second: float) -> float:
        seven = replace(
            cards[1], kept=cards[1].kept[:7], points_px=cards[1].points_px[:7], sigma_px=second
        )
        seen: dict[int, SeenCard] = {0: replace(cards[0], sigma_px=first), 1: seven}
        return corner_noise(replace(problem, seen=(seen,)))

    assert with_noise(0.1, 0.3) == pytest.approx(np.sqrt((22 * 0.1**2 + 6 * 0.3**2) / 28))
    assert with_noise(0.0, 0.0) == 0.05  # nothing is surer than a twentieth of a pixel


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault(scale=1.012), "% larger than its stated size"),
        (Fault(scale=0.985), "% smaller than its stated size"),
        (Fault(curl_mm=6.0), "does not lie flat"),
    ],
)
def test_what_is_said_of_a_faulty_card_is_its_fault(fault: Fault, says: str) -> None:
    rng = np.random.default_rng(5)
    papers = draw_papers(rim(6), Flaws(faults={3: fault}), rng)
    for noise_px in (0.02, 0.12):  # also where the corners are as noisy as a plain photo's
        whole = problem_of([make_view()], [papers], noise_px=noise_px)
        lay = solve_photo(whole.without(3), 0.0)
        fit = fit_lay(whole.without(3), lay, noise_px, TOLERATED)
        assert says in _seen_fault(whole, fit, 3)


def test_a_card_stretched_one_way_alone_is_no_wrong_size() -> None:
    for axis, way in ((0, "x"), (1, "y")):
        papers = flat(rim(6))
        middle = papers[3][:, axis].mean()
        papers[3][:, axis] = middle + 1.02 * (papers[3][:, axis] - middle)
        whole = problem_of([make_view()], [papers])
        fit = fit_lay(whole.without(3), solve_photo(whole.without(3), 0.0), 0.05, TOLERATED)
        assert "does not lie flat" in _seen_fault(whole, fit, 3), way


@pytest.mark.parametrize("angle", [0.0, 0.7, 2.0])
def test_how_far_a_card_was_moved_between_photos_is_the_way_of_its_middle(angle: float) -> None:
    """Turned about its middle it has not moved; turned and shifted it has, by the shift."""
    places = rim(6)
    x, y, _ = places[3]
    middle = np.array([x, y]) + np.array(BOARD_MM) / 2
    for shift in ((0.0, 0.0), (6.0, -8.0)):
        c, s = np.cos(angle), np.sin(angle)
        corner = middle + shift - np.array([[c, -s], [s, c]]) @ (np.array(BOARD_MM) / 2)
        turned = {**places, 3: (float(corner[0]), float(corner[1]), angle)}
        whole = problem_of([LEFT, RIGHT], [flat(places), flat(turned)])
        rest = whole.without(3)
        joined = join_photos(rest, alone(rest))
        fit = fit_lay(rest, joined.lay, 0.05, TOLERATED)
        assert _apart_mm(whole, fit, 3) == pytest.approx(np.hypot(*shift), abs=0.25)
        if shift[0]:
            assert _seen_fault(whole, fit, 3).startswith("it was moved by about 10.0 mm")


@pytest.mark.parametrize(("away", "told"), [(0.8, True), (0.3, False)])
def test_half_a_millimetre_is_moved(away: float, told: bool) -> None:
    """Bent paper looks shifted by as much from two sides."""
    places = rim(6)
    x, y, turn = places[3]
    there = {**places, 3: (x + away, y, turn)}
    whole = problem_of([LEFT, RIGHT], [flat(places), flat(there)], noise_px=0.02)
    rest = whole.without(3)
    fit = fit_lay(rest, join_photos(rest, alone(rest)).lay, 0.05, TOLERATED)
    assert _seen_fault(whole, fit, 3).startswith("it was moved") is told


def test_how_far_corners_are_off_does_not_depend_on_the_frame() -> None:
    rng = np.random.default_rng(2)
    shape = rng.uniform(0, 100, (12, 2))
    bent = shape + rng.normal(0, 0.5, shape.shape)
    still = _off_mm(shape, bent)
    c, s = np.cos(1.1), np.sin(1.1)
    turned = bent @ np.array([[c, s], [-s, c]]) + [300.0, -40.0]
    assert _off_mm(shape, turned) == pytest.approx(still)
    assert _off_mm(shape, shape @ np.array([[c, s], [-s, c]])) == pytest.approx(0.0, abs=1e-9)
    # of four corners of a square one is lifted by 4 mm along the diagonal: 3 mm are left of it
    square = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]])
    lifted = square + np.array([[0, 0], [0, 0], [2**0.5 * 2, 2**0.5 * 2], [0, 0]])
    assert _off_mm(square, lifted) == pytest.approx(3.0, abs=0.01)


def test_the_worse_of_two_stretches_is_told() -> None:
    assert "2.0 % larger" in _size_fault(0.02, 0.01)
    assert "3.0 % smaller" in _size_fault(0.02, -0.03)
    assert "2.0 % larger" in _size_fault(0.01, 0.02)


def test_numbers_in_a_sentence() -> None:
    assert listed([4]) == "4"
    assert listed([7, 2]) == "2 and 7"
    assert listed([7, 2, 5, 11]) == "2, 5, 7 and 11"


def settled(fault: Mapping[int, Fault], count: int = 5, paper: float = 0.0):
    papers = draw_papers(rim(count), Flaws(0.1, 0.0002, paper, fault), np.random.default_rng(6))
    whole = problem_of([make_view(tilt_deg=10.0)], [papers], noise_px=0.1)
    return settle(whole, solve_photo(whole, 0.0))


def test_sound_cards_are_all_kept_and_their_noise_is_that_of_the_corners() -> None:
    problem, fit, dropped, odd = settled({})
    assert dropped == () and odd == () and len(problem.numbers) == 5
    assert fit.sigma_px == pytest.approx(0.1, rel=0.25)
    assert fit.chi2_per_freedom <= 1.0 + 1e-9  # above one the noise was widened to make it one


def test_one_curled_card_of_five_goes_and_two_of_four_misprinted_are_refused() -> None:
    _, _, dropped, _ = settled({2: Fault(curl_mm=8.0)})
    assert [d.number for d in dropped] == [2]
    with pytest.raises(TracerError) as refused:
        settled({1: Fault(scale=1.02), 2: Fault(scale=1.02)}, 4)
    assert refused.value.slug == "cards-disagree"


def test_paper_that_waves_everywhere_is_the_papers_fault_not_the_cards() -> None:
    problem, _, dropped, _ = settled({}, 8, paper=0.5)
    assert dropped == () and len(problem.numbers) == 8


def test_places_on_a_mat_are_as_sure_as_a_plotter_and_a_humid_sheet() -> None:
    """0.3 mm and a thousandth of the way between two cards' middles, in the first card's frame."""
    mat = {0: (500.0, 400.0, 0.5), 1: (900.0, 700.0, 0.5), 4: (100.0, 100.0, 2.0)}
    problem = replace(problem_of([LEFT], [flat(rim(3))]), mat=mat)  # cards 0, 1 and 2 are seen
    layout = Layout((0,), (BOARD_MM,) * 3, 0)
    found = {p.index: p for p in _mat_priors(problem, layout, (0, 1, 2))}
    start = layout.card(1).start
    assert set(found) == {start, start + 1, start + 2}  # nothing is known of a card off the mat
    c, s = np.cos(0.5), np.sin(0.5)
    way = np.array([[c, s], [-s, c]]) @ [400.0, 300.0] + np.array(BOARD_MM) / 2
    assert [found[start + k].mean for k in (0, 1, 2)] == pytest.approx([*way, 0.0])
    assert found[start].sigma == found[start + 1].sigma == pytest.approx(0.3 + 0.001 * 500)
    assert found[start + 2].sigma == 0.002
    assert _mat_priors(replace(problem, mat=None), layout, (0, 1, 2)) == []
    assert _mat_priors(problem, layout, (2, 0, 1)) == []  # its frame's card is not on the mat


def test_corners_noisier_than_their_lattices_say_widen_what_is_stated(monkeypatch) -> None:
    """The corners' own misfit is the noise: half of it supposed, twice of that comes out."""
    monkeypatch.setattr(bundle, "corner_noise", lambda problem: 0.05)
    _, fit, dropped, _ = settled({})
    assert dropped == ()
    assert fit.sigma_px == pytest.approx(0.1, rel=0.15)
    assert fit.chi2_per_freedom == pytest.approx(1.0) and fit.misfit == pytest.approx(4, rel=0.3)
