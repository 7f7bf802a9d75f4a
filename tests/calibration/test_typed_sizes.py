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
