"""Calibration of simulated lays: accuracy, honesty of the stated errors, faulty cards."""

from __future__ import annotations

import re

import numpy as np
import pytest
from shapely.geometry import box

from tests.benchmarks.calibration import compare
from tests.calibration.bench import (
    FOCAL_PX,
    Fault,
    Flaws,
    detect,
    draw_papers,
    make_photo,
    make_view,
    rim,
)
from tracer.calibration import CardSizes, check_outlines
from tracer.calibration.calibrate import solve_lay
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import mat_places
from tracer.model.report import Severity
from tracer.model.view import View


def trial(
    seed: int,
    count: int = 4,
    flaws: Flaws | None = None,
    *,
    tilt_deg: float = 5.0,
    sizes: CardSizes | None = None,
    focal_35mm: float | None = 26.0,
) -> tuple[Calibration, View]:
    """One photo of the standing setting; the lens is drawn from what is assumed of lenses."""
    flaws = flaws or Flaws(paper_scale=0.0002, paper_height_mm=0.05)
    rng = np.random.default_rng(seed)
    view = make_view(
        tilt_deg=tilt_deg,
        focal_px=FOCAL_PX * np.exp(rng.normal(0, 0.03)),
        dist=(rng.normal(0, 0.03), 0, 0, 0, 0),
    )
    papers = draw_papers(rim(count), flaws, rng)
    seen = detect(view, papers, flaws.noise_px, rng)
    return solve_lay([make_photo(view, focal_35mm)], [seen], card_sizes=sizes), view


def left_out(calibration: Calibration) -> list[int]:
    return [card.number for card in calibration.cards if not card.used]


def test_map_and_pose_are_as_good_as_stated() -> None:
    maps, map_z, pose_z = [], [], []
    for seed in range(30):
        calibration, view = trial(seed)
        assert left_out(calibration) == []
        row = compare(calibration, [view], 100.0)["photos"][0]
        maps.append(row["map_rms_mm"])
        map_z.append(row["map_z"])
        pose_z.append(row["height_z"])
    # linearised theory for this setting says 0.10 mm; freer lens priors cost a little. A much
    # smaller value would mean that the noise never entered.
    assert 0.06 < np.median(maps) < 0.20
    # 30 draws: the share within one sigma is known to +/- 9 points, within two to +/- 4
    assert 0.50 < np.mean(np.abs(pose_z) < 1) < 0.88
    assert np.mean(np.abs(pose_z) < 2) > 0.86
    # the map's sigma also covers lenses worse than these: it may be cautious, never rosy
    assert 0.3 < np.sqrt(np.mean(np.square(map_z))) < 1.15


def test_more_noise_means_a_larger_stated_error() -> None:
    quiet, _ = trial(1, flaws=Flaws(noise_px=0.05))
    loud, _ = trial(1, flaws=Flaws(noise_px=0.6))
    middle = [[450.0, 300.0]]
    assert loud.sigma.at(middle)[0] > 3 * quiet.sigma.at(middle)[0]


def test_stated_error_grows_away_from_the_cards() -> None:
    calibration, _ = trial(2)
    near, far = calibration.sigma.at([[450, 300], [450, -250]])
    assert far > 2 * near


@pytest.mark.parametrize(
    "fault", [Fault(scale=1.01), Fault(scale=0.97), Fault(curl_mm=5.0)], ids=["+1%", "-3%", "curl"]
)
@pytest.mark.parametrize("count", [3, 4, 6])
def test_faulty_card_is_named_and_left_out(count: int, fault: Fault) -> None:
    flaws = Flaws(0.1, 0.0002, 0.05, {1: fault})
    for seed in range(2):
        calibration, view = trial(100 + seed, count, flaws)
        assert left_out(calibration) == [1]
        warned = [c for c in calibration.checks if c.slug == "card-left-out"]
        assert [c.subject_id for c in warned] == ["card 1"]
        assert warned[0].severity == Severity.WARN
        assert compare(calibration, [view], 100.0)["photos"][0]["map_rms_mm"] < 0.6


def test_reason_says_what_is_wrong() -> None:
    size, _ = trial(5, 4, Flaws(0.1, faults={1: Fault(scale=1.01)}))
    curl, _ = trial(5, 4, Flaws(0.1, faults={1: Fault(curl_mm=5.0)}))
    assert re.search(r"(0\.9|1\.[01]) % larger", size.cards[1].reason)
    assert "not lie flat" in curl.cards[1].reason


def test_two_cards_that_disagree_are_refused() -> None:
    with pytest.raises(TracerError, match="disagree") as caught:
        trial(3, 2, Flaws(0.05, faults={1: Fault(scale=1.03)}))
    assert caught.value.slug == "cards-disagree"


def test_two_against_two_is_refused() -> None:
    bad = {1: Fault(scale=0.97), 2: Fault(scale=0.97)}
    with pytest.raises(TracerError) as caught:
        trial(4, 4, Flaws(0.05, faults=bad))
    assert caught.value.slug == "cards-disagree"


def test_sizes_typed_per_card_reconcile_them() -> None:
    bad = {1: Fault(scale=0.97), 2: Fault(scale=0.97)}
    small = (168 * 0.97, 112 * 0.97)
    calibration, view = trial(
        4, 4, Flaws(0.05, faults=bad), sizes=CardSizes((168.0, 112.0), {1: small, 2: small})
    )
    assert left_out(calibration) == []
    assert abs(compare(calibration, [view], 100.0)["scale_percent"]) < 0.1
    assert "card-size-not-typed" not in {c.slug for c in calibration.checks}


def test_wrong_size_of_all_cards_scales_everything() -> None:
    """Negative control: nothing in the picture can show it, so the scale must be off by 3 %."""
    everything = {k: Fault(scale=0.97) for k in range(4)}
    calibration, view = trial(6, 4, Flaws(0.05, faults=everything))
    assert left_out(calibration) == []
    assert abs(compare(calibration, [view], 100.0)["scale_percent"] - 3.09) < 0.15
    assert "card-size-not-typed" in {c.slug for c in calibration.checks}
    assert calibration.scale_sigma > 0.003


def test_one_card_works_with_a_warning_that_grows() -> None:
    calibration, _ = trial(7, 1)
    assert "few-cards" in {c.slug for c in calibration.checks}
    near, far = calibration.sigma.at([[84, 56], [500, 350]])
    assert far > 5 * near


def test_height_without_exif_is_said_to_be_unsure_and_typing_it_helps() -> None:
    unsure, _ = trial(8, tilt_deg=1.0, focal_35mm=None)
    assert "camera-height-unsure" in {c.slug for c in unsure.checks}
    rng = np.random.default_rng(8)
    view = make_view(tilt_deg=1.0)
    seen = detect(view, draw_papers(rim(4), Flaws(), rng), 0.15, rng)
    typed = solve_lay([make_photo(view, None)], [seen], camera_height_mm=1520.0)
    assert "camera-height-unsure" not in {c.slug for c in typed.checks}
    # the typed value is 20 mm off on purpose; sigma of a typed height is 30 mm
    assert abs(typed.views[0].height_mm - 1500) < 40
    assert 15 < np.sqrt(typed.pose_cov["a"][2, 2]) < 35


def test_leave_one_out_shows_the_paper() -> None:
    smooth, _ = trial(9, 6, Flaws(0.05))
    wavy, _ = trial(9, 6, Flaws(0.05, paper_height_mm=0.8))
    assert max(smooth.leave_one_out_mm.values()) < 0.15
    assert max(wavy.leave_one_out_mm.values()) > 2 * max(smooth.leave_one_out_mm.values())
    # when all cards are wavy it is the paper, not a card
    assert left_out(wavy) == []
    assert wavy.sigma.at([[450, 300]])[0] > 1.5 * smooth.sigma.at([[450, 300]])[0]


def test_frame_is_that_of_the_lowest_card() -> None:
    calibration, _ = trial(10, 4)
    x, y, angle = calibration.cards[0].placement
    assert abs(x) < 1e-6 and abs(y) < 1e-6 and abs(angle) < 1e-9
    without_0, _ = trial(10, 4, Flaws(0.1, faults={0: Fault(scale=0.97)}))
    assert left_out(without_0) == [0]
    assert np.allclose(without_0.cards[1].placement, 0, atol=1e-6)


def test_mat_places_are_a_prior() -> None:
    size = (900.0, 600.0)
    rng = np.random.default_rng(11)
    view = make_view(tilt_deg=5.0)
    papers = draw_papers({k: p for k, p in mat_places(size).items() if k in (0, 1)}, Flaws(), rng)
    seen = detect(view, papers, 0.3, rng)
    free = solve_lay([make_photo(view)], [seen])
    held = solve_lay([make_photo(view)], [seen], mat_mm=size)
    spot = [[300.0, -200.0]]
    assert held.sigma.at(spot)[0] < free.sigma.at(spot)[0]
    expected = mat_places(size)[1][0] - mat_places(size)[0][0]
    assert abs(held.cards[1].placement[0] - expected) < 1.5


def test_outlines_outside_the_cards_are_named() -> None:
    calibration, _ = trial(12, 4)
    checks = check_outlines(
        calibration, [("T01", box(300, 250, 500, 300)), ("T02", box(300, -300, 500, -150))]
    )
    assert {c.subject_id for c in checks if c.slug == "outline-beyond-cards"} == {"T02"}
    beyond = next(c for c in checks if c.slug == "outline-beyond-cards")
    assert beyond.value == pytest.approx(300.0, abs=1.0)
    one, _ = trial(13, 1)
    far = check_outlines(one, [("T01", box(700, 450, 800, 550))])
    assert {c.slug for c in far} & {"outline-uncertain", "outline-unmeasured"}


def test_too_close_and_too_oblique_are_refused() -> None:
    for view, slug in (
        (make_view(height_mm=280.0, tilt_deg=2.0), "camera-too-close"),
        (make_view(tilt_deg=58.0), "photo-too-oblique"),
    ):
        rng = np.random.default_rng(1)
        papers = draw_papers({5: (366.0, 244.0, 0.0), 6: (540.0, 244.0, 0.1)}, Flaws(), rng)
        with pytest.raises(TracerError) as caught:
            solve_lay([make_photo(view)], [detect(view, papers, 0.1, rng)])
        assert caught.value.slug == slug
