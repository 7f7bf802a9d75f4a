"""What checks of use say: rounded figures, air left or missing, where an outline came from."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.panel.bench import BASE, FACE, drawer, plan, stack, tool
from tests.panel.checks.test_limits import (
    DRAWER,
    HEIGHT,
    WIDTH,
    at,
    found,
    panel,
    pocket,
    rules,
    use,
)
from tracer.model.outline import HeightSource
from tracer.model.report import Severity
from tracer.panel.checks.contrast import contrast
from tracer.panel.checks.use import check_use

SOURCES = {"pocket-stale", "tool-incomplete", "depth-without-height"}


def test_poor_contrast_is_told_in_tenths_of_a_point() -> None:
    """LRV: 100 times the luminance Y (BS 8300-2), by `contrast`, which has tests of its own."""
    base = replace(BASE, rgb=(200, 30, 37))
    checks = use(panel(pocket(1, at(50, 80)), plies=stack(("face", FACE), ("base", base))))
    (hit,) = found(checks, "contrast-low")
    points = contrast(FACE.rgb, base.rgb).lrv_points
    assert round(points, 2) != round(points, 1)
    assert (hit.value, hit.limit) == (round(points, 1), 30.0)


def test_air_that_is_left_and_air_that_is_missing_read_differently() -> None:
    told = {52.0: "Only 3.0 mm of air", 49.4: "Only 0.4 mm of air", 48.0: "1.0 mm too high"}
    for clear, says in told.items():
        one = panel(pocket(1, at(50, 80)), bay=drawer(WIDTH, HEIGHT, clear))
        (hit,) = found(use(one), "does-not-close")
        assert says in hit.sentence


@pytest.mark.parametrize(
    ("changes", "slug", "severity"),
    [
        ({"revision": 2}, "pocket-stale", Severity.FAIL),
        ({"cut_by_frame": True}, "tool-incomplete", Severity.FAIL),
        ({"height_source": HeightSource.ASSUMED}, "depth-without-height", Severity.WARN),
        ({}, None, None),
    ],
)
def test_what_the_outline_says_of_its_pocket(changes, slug, severity) -> None:
    one = panel(pocket(1, at(50, 80)))
    traced = tool(at(50, 80), 1, 0.0, 0.0)
    traced = replace(traced, outline=replace(traced.outline, **changes))
    checks = list(check_use(one, plan(DRAWER), (traced,), rules(one)))
    about = {c.slug: c.severity for c in checks if c.slug in SOURCES}
    assert about == ({slug: severity} if slug else {})
