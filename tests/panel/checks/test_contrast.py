"""Contrast of face and base, held against published values and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from tracer.model.panel import BayKind
from tracer.panel.checks.contrast import _encoded, _linear, contrast, luminance
from tracer.panel.rules import TABLE, rules_for


@pytest.mark.parametrize(
    ("rgb", "ratio"),
    # greys on white that pass or just miss 3 : 1 and 4.5 : 1 (WCAG 2.1 contrast ratio; the values
    # are often quoted, from memory)
    [((118, 118, 118), 4.54), ((119, 119, 119), 4.48), ((148, 148, 148), 3.03), ((0, 0, 0), 21.0)],
)
def test_ratios_of_grey_on_white(rgb: tuple[int, int, int], ratio: float) -> None:
    assert contrast(rgb, (255, 255, 255)).ratio == pytest.approx(ratio, abs=0.006)


def test_luminance_is_the_y_of_cie_1931() -> None:
    rng = np.random.default_rng(3)
    for rgb in rng.integers(0, 256, (40, 3)):
        y = rgb2xyz((rgb / 255)[None, None])[0, 0, 1]
        # the library's matrix has four more digits than WCAG's weights
        assert luminance(tuple(int(v) for v in rgb)) == pytest.approx(y, abs=2e-4)


@pytest.mark.parametrize(
    ("name", "rgb", "passes"),
    # red and blue look bright on black and have hardly any luminance; yellow and white do
    [
        ("red", (200, 30, 30), False),
        ("blue", (20, 70, 170), False),
        ("orange", (240, 120, 20), True),
        ("yellow", (240, 210, 20), True),
        ("white", (240, 240, 240), True),
    ],
)
def test_which_bases_show_under_a_dark_face(
    name: str, rgb: tuple[int, int, int], passes: bool
) -> None:
    found = contrast((30, 30, 30), rgb)
    rules = rules_for(BayKind.WALL)
    both = found.lrv_points >= rules.lrv_points and found.ratio >= rules.contrast_ratio
    assert both is passes, name
    assert found.delta_e > 20  # all of them are another colour all right


def test_red_and_green_of_one_lightness_collapse_for_a_deuteranope() -> None:
    found = contrast((190, 70, 60), (110, 125, 50))
    assert found.delta_e > 40
    assert found.delta_e_deuteranope < found.delta_e / 2


def test_limits_are_those_of_their_sources() -> None:
    assert TABLE["lrv_points"].wall == 30  # BS 8300-2:2018 Annex B, as quoted by SATRA
    assert TABLE["contrast_ratio"].wall == 3  # WCAG 2.1 SC 1.4.11
    # ANSUR II: hip of a tall man 985, shoulder of a short woman 1242, shoes add 25
    assert TABLE["reach_low_mm"].wall == 985 + 25
    assert TABLE["reach_high_mm"].wall == pytest.approx(1242 + 25, abs=5)


@pytest.mark.parametrize("grey", [0, 1, 5, 10, 11, 40, 128, 255])
def test_light_is_coded_and_decoded_as_iec_61966_has_it(grey: int) -> None:
    """Both branches of sRGB, and one from the other: a grey that is decoded comes back."""
    v = grey / 255
    wanted = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
    assert _linear((grey, grey, grey)) == pytest.approx([wanted] * 3, rel=1e-12)
    assert _encoded(_linear((grey, grey, grey))) == pytest.approx([v] * 3, abs=1e-6)


@pytest.mark.parametrize("grey", [3, 60, 200])
def test_greys_look_alike_to_all_eyes(grey: int) -> None:
    """A matrix that keeps white keeps every grey: what differs in light alone differs as much."""
    found = contrast((grey, grey, grey), (grey + 40, grey + 40, grey + 40))
    assert found.delta_e_deuteranope == pytest.approx(found.delta_e, rel=1e-3)
