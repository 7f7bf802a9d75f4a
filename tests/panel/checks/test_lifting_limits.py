"""Finger gaps and notches a hair on either side of each of their limits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import box

from tests.panel.checks.test_limits import at, found, panel, pocket, rules
from tracer.model.panel import Notch
from tracer.panel.checks.lifting import check_lifting


@pytest.mark.parametrize(
    ("gap", "slug"), [(12.1, None), (11.9, "finger-gap-narrow"), (0.0, "finger-gap-narrow")]
)
def test_a_fingertip_wants_12_mm(gap: float, slug: str | None) -> None:
    """A notch that stands out beside the tool by a gap: so wide a disc goes in."""
    notch = Notch(box(60, 110, 90 + gap, 150), 15.0, 1)
    one = panel(pocket(1, at(50, 80), notches=(notch,)))
    checks = list(check_lifting(one, rules(one)))
    hits = found(checks, "finger-gap-narrow")
    assert len(hits) == (slug is not None)
    (least,) = found(checks, "finger-gap")
    assert least.value == pytest.approx(gap, abs=0.1) and least.limit == 12.0


@pytest.mark.parametrize("turn", [0.0, 35.0, 90.0, 200.0])
@pytest.mark.parametrize("narrow", [6.0, 18.0])
def test_of_two_sides_the_narrower_counts_however_the_panel_is_turned(turn, narrow) -> None:
    notch = box(50 - narrow, 110, 115, 150)
    one, other = (affinity.rotate(g, turn, origin=(200, 150)) for g in (at(50, 80), notch))
    both = panel(pocket(1, one, notches=(Notch(other, 15.0, 2),)))
    (least,) = found(list(check_lifting(both, rules(both))), "finger-gap")
    assert least.value == pytest.approx(narrow, abs=0.15)


@pytest.mark.parametrize(("deep", "hit"), [(3.0, False), (2.9, True)])
def test_fingers_reach_below_the_widest_section(deep: float, hit: bool) -> None:
    """Half of 24 mm is widest, and stands 3 mm below the face."""
    notch = Notch(box(40, 110, 120, 150), deep, 2)
    one = panel(pocket(1, at(50, 80), notches=(notch,)))
    hits = found(list(check_lifting(one, rules(one))), "finger-notch-shallow")
    assert [(h.value, h.limit) for h in hits] == ([(deep, 3.0)] if hit else [])


@pytest.mark.parametrize(("proud", "hit"), [(10.0, False), (10.1, True)])
def test_what_stands_10_mm_out_over_a_notch_is_in_the_way(proud: float, hit: bool) -> None:
    notch = Notch(box(40, 110, 160, 150), 15.0, 2)
    two = panel(
        pocket(1, at(50, 80), notches=(notch,)), pocket(2, at(150, 80), height_mm=15 + proud)
    )
    assert len(found(list(check_lifting(two, rules(two))), "lift-blocked")) == hit
    shared = replace(two.pockets[0], notches=(replace(notch, shared_with=("T02",)),))
    both = replace(two, pockets=(shared, two.pockets[1]))
    assert found(list(check_lifting(both, rules(both))), "lift-blocked") == []
