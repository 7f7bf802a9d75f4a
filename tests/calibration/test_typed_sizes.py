"""Typed figures that the cards contradict: the camera's height, the size of the print.

Simulated lays with exact cameras (`tests.calibration.bench`).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.calibration import bench
from tracer.calibration.calibrate import solve_lay
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import BOARD_MM, CardSizes


def solved(typed_mm: float | None, *, tilt_deg: float = 12.0, share: float = 1.0) -> Calibration:
    view = bench.make_view(tilt_deg=tilt_deg)
    rng = np.random.default_rng(3)
    papers = bench.draw_papers(bench.rim(6), bench.Flaws(), rng)
    photo, detection = bench.make_photo(view), bench.detect(view, papers, 0.15, rng)
    sizes = CardSizes((BOARD_MM[0] * share, BOARD_MM[1] * share))
    return solve_lay([photo], [detection], card_sizes=sizes, camera_height_mm=typed_mm)


def slugs(calibration: Calibration) -> set[str]:
    return {c.slug for c in calibration.checks}


@pytest.mark.parametrize("typed_mm", [None, 1400.0, 1470.0, 1500.0, 1530.0, 1600.0])
def test_a_height_that_agrees_is_not_questioned(typed_mm: float | None) -> None:
    """A rule beside a phone is good to 30 mm; three times that is still no contradiction."""
    assert not slugs(solved(typed_mm)) & {"camera-height-contradicted"}


@pytest.mark.parametrize("typed_mm", [1100.0, 1900.0])
def test_a_height_that_the_cards_contradict_gives_way(typed_mm: float) -> None:
    done = solved(typed_mm)
    assert "camera-height-contradicted" in slugs(done)
    assert done.views[0].height_mm == pytest.approx(1500.0, abs=15.0)
    (told,) = (c for c in done.checks if c.slug == "camera-height-contradicted")
    assert f"{typed_mm:g} mm" in told.sentence


@pytest.mark.parametrize("typed_mm", [150.0, 600.0, 15_000.0])
def test_another_unit_is_refused(typed_mm: float) -> None:
    with pytest.raises(TracerError) as caught:
        solved(typed_mm)
    assert caught.value.slug == "camera-height-impossible"


@pytest.mark.parametrize("share", [0.94, 0.97, 1.0, 1.03])
def test_a_printers_error_is_not_questioned(share: float) -> None:
    assert "card-size-unlikely" not in slugs(solved(None, share=share))


@pytest.mark.parametrize("share", [0.85, 0.91, 1.06, 1.2])
def test_a_size_beyond_printers_is_questioned(share: float) -> None:
    assert "card-size-unlikely" in slugs(solved(None, share=share))


def on_board(board_mm: float, typed_mm: float | None) -> Calibration:
    """Cards stuck on board: their faces lie that much above the sheet."""
    view = bench.make_view(tilt_deg=8.0)
    rng = np.random.default_rng(5)
    places = bench.rim(6)
    lifted = {number: bench.Fault(lift_mm=board_mm) for number in places}
    papers = bench.draw_papers(places, bench.Flaws(faults=lifted), rng)
    photo, detection = bench.make_photo(view), bench.detect(view, papers, 0.15, rng)
    sizes = CardSizes(BOARD_MM, thickness_mm=typed_mm)
    return solve_lay([photo], [detection], card_sizes=sizes)


def distance_on_sheet_mm(calibration: Calibration) -> float:
    """Between two points of the sheet, 400 mm apart in truth, as the photo shows them."""
    points = bench.make_view(tilt_deg=8.0).to_photo([[100.0, 120.0, 0.0], [500.0, 120.0, 0.0]])
    first, second = calibration.views[0].to_sheet(points)
    return float(np.linalg.norm(second - first))


@pytest.mark.parametrize("board_mm", [3.0, 10.0])
def test_cards_on_board_measure_the_sheet_once_their_thickness_is_typed(board_mm: float) -> None:
    """A face h above the sheet, seen from H: the sheet is taken for h / H too small.

    Similar triangles; 0.1 mm of paper is in both. The noise of the corners is the same in all
    three, so that it cancels.
    """
    flat = distance_on_sheet_mm(on_board(0.0, None))
    assert flat == pytest.approx(400, abs=0.2)
    ignored = distance_on_sheet_mm(on_board(board_mm, None))
    assert ignored / flat - 1 == pytest.approx(-board_mm / 1500, rel=0.1)
    typed = distance_on_sheet_mm(on_board(board_mm, board_mm + 0.1))
    assert typed == pytest.approx(flat, abs=0.02)


def test_a_thickness_is_remembered_with_the_sizes() -> None:
    first = CardSizes(own_mm={3: (168.2, 112.1)}, thickness_mm=3.0)
    again = CardSizes((168.0, 112.0)).over(first)
    assert (again.top_mm, dict(again.own_mm)) == (3.0, {})
    assert CardSizes(thickness_mm=5.0).over(first).top_mm == 5.0
    assert CardSizes().top_mm == pytest.approx(0.1)  # office paper, 80 g/m2 (ISO 536: grammage)
