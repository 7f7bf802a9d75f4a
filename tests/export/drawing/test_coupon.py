"""The fit coupon: its shapes, and what a reading means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import box

from tests.export.drawings import outline
from tracer.errors import UsageError
from tracer.export.drawing.coupon import (
    STAIR_MM,
    draw_coupon,
    fit_from_hole,
    kerf_from_strips,
    taper_from_strips,
)
from tracer.export.dxf.read import read_dxf
from tracer.export.examine.file import examine
from tracer.export.machine.profiles import read_machine
from tracer.export.verify import verified_dxf
from tracer.geometry.loops import signed_area
from tracer.model.machine import Machine
from tracer.workflows.cutting.cut import CutOptions, cut_lay

LASER, KNIFE, ROUTER = (read_machine(n) for n in ("co2-laser", "oscillating-knife", "router"))


@pytest.mark.parametrize("diameter", [5.0, 24.25, 60.0])
def test_holes_form_a_stair_and_strips_are_true(diameter: float) -> None:
    cut, numbers = draw_coupon(diameter, LASER)
    holes = [p for p in cut.paths if p.subject_id.startswith("hole")]
    radii = sorted(np.sqrt(signed_area(p.loop) / np.pi) for p in holes)
    assert radii == pytest.approx([diameter / 2 + c for c in STAIR_MM])
    strips = [p for p in cut.paths if p.subject_id.startswith("strip")]
    assert [signed_area(p.loop) for p in strips] == pytest.approx([200.0] * 10)
    # a machine finds nothing to trip over, and the numbers stand beside the holes, not in them
    found = examine(read_dxf(verified_dxf(cut)))
    assert [c.slug for c in found.checks] == []
    assert {p.subject_id for p in numbers.paths} == {"", *(f"hole {i}" for i in range(1, 11))}


def test_strips_give_the_kerf() -> None:
    # worked by hand: ten strips drawn 10 mm wide, cut with a kerf of 0.3, are 9.7 mm each
    assert kerf_from_strips(97.0) == pytest.approx(0.3)
    assert kerf_from_strips(100.2) == 0.0


def test_the_hole_gives_the_fit() -> None:
    # a knife: what is drawn is what is cut. Hole 6 has +0.2; felt like a fit of 0: 0.2 is missing
    assert fit_from_hole(6, 0.0, KNIFE, 0.0) == pytest.approx(0.2)
    # a laser widens the hole by half its kerf, which later files take out again
    assert fit_from_hole(6, 0.4, LASER, 0.0) == pytest.approx(0.4)
    # a router allows for its bit by itself
    assert fit_from_hole(6, 6.0, ROUTER, 0.0) == pytest.approx(0.2)


def test_a_reading_closes_the_circle() -> None:
    # cut the coupon's best hole again with the profile that its reading gave: the drawn line must
    # be the coupon's own line
    kerf, best = 0.44, 4
    offset = fit_from_hole(best, kerf, LASER, wanted_mm=0.0)
    drawn_radius_change = 0.0 + offset - kerf / 2
    assert drawn_radius_change == pytest.approx(STAIR_MM[best - 1])


@pytest.mark.parametrize("wrong", [120.0, 40.0])
def test_impossible_strips_are_refused(wrong: float) -> None:
    with pytest.raises(UsageError) as caught:
        kerf_from_strips(wrong)
    assert caught.value.slug == "coupon-strips-wrong"


def test_impossible_holes_and_diameters_are_refused() -> None:
    for hole in (0, 11):
        with pytest.raises(UsageError):
            fit_from_hole(hole, 0.0, KNIFE, 0.0)
    with pytest.raises(UsageError):
        draw_coupon(2.0, KNIFE)


@pytest.mark.parametrize(
    ("machine", "allows"),
    [(LASER, False), (KNIFE, False), (ROUTER, True)],
    ids=lambda v: str(v)[:9],
)
def test_nobody_takes_out_of_the_coupon_what_it_measures(machine: Machine, allows: bool) -> None:
    """Half the kerf compensated on the strips would be half the kerf not found."""
    cut, _ = draw_coupon(24.25, machine)
    words = cut.kerf.sentence()
    assert ("Let the machine allow" in words) is allows
    assert ("switch compensation off at the machine" in words) is not allows
    head = verified_dxf(cut)[:600]
    assert (b"this piece measures it" in head) is not allows


def test_both_faces_give_the_taper() -> None:
    # worked by hand: strips 9.6 mm wide above and 9.8 below, 30 mm thick: the wall between two of
    # them leans by 0.1 mm a side over 30 mm, 0.033 over 10
    assert taper_from_strips(96.0, 98.0, 30.0) == pytest.approx(0.1 / 3)
    assert taper_from_strips(97.0, 97.0, 30.0) == 0.0


def test_the_fit_holds_at_the_tight_face() -> None:
    """The opening drawn for a cone is wider by what it narrows over the depth."""
    cone = replace(LASER, taper_mm_per_10mm=0.05)
    tool = outline(box(0, 0, 80, 20))
    wide, plain = (
        cut_lay([tool], CutOptions(machine=m, material="pe", through=True), name="b").pockets[0]
        for m in (cone, LASER)
    )
    below = wide.region.buffer(-cone.narrowing_mm(30.0))
    assert below.symmetric_difference(plain.region).area < 0.06 * plain.region.length
    assert wide.region.area - plain.region.area == pytest.approx(0.15 * 200, rel=0.1)
