"""What is known of a camera before any card is looked at: figures, limits on both sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.bench import (
    BOARD_MM,
    SIZE_PX,
    Flaws,
    detect,
    draw_papers,
    make_photo,
    make_view,
    rim,
)
from tracer.calibration.calibrate import solve_lay
from tracer.calibration.layout import Layout, Prior
from tracer.calibration.optics import (
    Optics,
    as_contradicted,
    as_cropped,
    contradicts,
    focal_px,
    group_cameras,
    lens_priors,
    middle_shift,
    optics_of,
    starting_lens,
)
from tracer.model.report import Check, Severity


def photo_of(size_px=SIZE_PX, focal_35mm: float | None = 26.0, cropped: bool = False):
    photo = make_photo(make_view(size_px=size_px), focal_35mm)
    note = (Check("photo-cropped", Severity.NOTE, "Cropped."),) if cropped else ()
    return replace(photo, checks=note)


@pytest.mark.parametrize(
    ("size", "focal", "cropped", "sigma"),
    [
        ((4032, 3024), 26.0, False, 0.03),
        ((4032, 3024), None, False, 0.25),
        ((4032, 3024), 26.0, True, 0.25),
        ((4032, 2268), 26.0, False, 0.07),  # 16:9, a strip of a 4:3 sensor
        ((3024, 3024), 26.0, False, 0.07),
        ((3000, 2000), 26.0, False, 0.03),
        ((2268, 4032), None, False, 0.25),
    ],
)
def test_how_surely_the_file_tells_the_focal_length(size, focal, cropped, sigma) -> None:
    found = optics_of(photo_of(size, focal, cropped))
    assert found.sigma_ln_f == sigma
    assert (found.known, found.cropped) == (focal is not None, cropped)
    assert found.stored_size_px == size
    assert found.middle_px == ((size[0] - 1) / 2, (size[1] - 1) / 2)


def test_a_strip_may_mean_its_own_diagonal_or_the_sensors() -> None:
    """The geometric middle of both; nothing of the kind for a picture of usual shape."""
    strip = optics_of(photo_of((4032, 2268)))
    ends = focal_px(26.0, (4032, 2268)), focal_px(26.0, (4032, 3024))
    assert strip.focal_px == pytest.approx(np.sqrt(ends[0] * ends[1]))
    assert optics_of(photo_of()).focal_px == pytest.approx(ends[1])


def test_wide_lenses_bend_more() -> None:
    assert optics_of(photo_of(focal_35mm=23.9)).wide
    assert not optics_of(photo_of(focal_35mm=24.0)).wide


def priors(*optics: Optics, cameras=(0,)) -> dict[int, Prior]:
    layout = Layout(cameras, (BOARD_MM,), 0)
    return {p.index: p for p in lens_priors(layout, optics)}


def test_priors_of_a_lens_in_pixels_and_shares() -> None:
    """Middle: 0.3 % of the longer side, 10 % where cropped. k1 to 0.08, 0.12 if wide."""
    plain = optics_of(photo_of())
    usual = priors(plain)
    assert [usual[k].sigma for k in range(8)] == pytest.approx(
        [0.03, 0.003 * 4032, 0.003 * 4032, 0.08, 0.2, 0.1, 0.0005, 0.0005]
    )
    assert [usual[k].mean for k in range(3)] == pytest.approx(
        [np.log(plain.focal_px), 2015.5, 1511.5]
    )
    assert [usual[k].mean for k in range(3, 8)] == [0.0] * 5
    assert len(usual) == 8  # one photo: no change of focus
    assert [p.mean for p in usual.values()] == starting_lens(plain, 0.0)
    cropped = priors(as_cropped(plain))
    assert cropped[1].sigma == cropped[2].sigma == pytest.approx(403.2)
    assert cropped[0].sigma == 0.25
    for lens in (optics_of(photo_of(focal_35mm=13.0)), optics_of(photo_of(focal_35mm=None))):
        assert [priors(lens)[k].sigma for k in (3, 4, 5)] == [0.12, 0.2, 0.1]


def test_photos_of_one_camera_share_it_but_for_their_focus() -> None:
    plain = optics_of(photo_of())
    layout = Layout((0, 0, 1), (BOARD_MM,), 0)
    found = {p.index: p for p in lens_priors(layout, [plain] * 3)}
    focus = [layout.photo(k).stop - 1 for k in range(3)]
    assert [found[k].sigma for k in focus if k in found] == [0.005, 0.005]
    assert focus[2] not in found
    # what is not solved for is what has no partner
    free = set(layout.free().tolist())
    assert {focus[0], focus[1]} <= free and focus[2] not in free
    fixed = layout.card(0).start
    assert not {fixed, fixed + 1, fixed + 2} & free
    assert len(free) == layout.size - 4


def test_which_photos_share_a_camera() -> None:
    photos = [photo_of(), photo_of(), photo_of(focal_35mm=50.0), photo_of((3000, 2250))]
    optics = [optics_of(p) for p in photos]
    assert group_cameras(photos, optics) == (0, 0, 1, 2)
    assert group_cameras(photos[:2], [optics[0], as_cropped(optics[1])]) == (0, 1)
    assert group_cameras(photos[:2], [as_contradicted(optics[0]), optics[1]]) == (0, 1)
    bare = [photo_of(focal_35mm=None)] * 2
    assert group_cameras(bare, [optics_of(p) for p in bare]) == (0, 1)


def test_a_focal_length_is_contradicted_beyond_two_and_a_half_deviations() -> None:
    plain = optics_of(photo_of())
    mean = np.log(plain.focal_px)
    assert not contradicts(plain, mean + 2.4 * 0.03) and contradicts(plain, mean + 2.6 * 0.03)
    assert contradicts(plain, mean - 2.6 * 0.03)
    assert not contradicts(replace(plain, known=False), mean + 1.0)
    assert as_contradicted(plain).contradicted and not plain.contradicted


def test_how_far_a_lens_looks_beside_the_middle() -> None:
    layout = Layout((0,), (BOARD_MM,), 0)
    x = np.zeros(layout.size)
    x[1:3] = 2015.5 + 30.0, 1511.5 - 40.0
    fit = SimpleNamespace(layout=layout, x=x)
    assert middle_shift(fit, 0, optics_of(photo_of())) == pytest.approx(50 / 4032)  # type: ignore[arg-type]


@pytest.mark.parametrize("stretch", [1.0, 1.4])
def test_a_focal_length_that_the_cards_contradict_is_told_with_theirs(stretch: float) -> None:
    """26 mm in the file; six cards seen aslant show which it is, to the prior's 3 %."""
    view = make_view(tilt_deg=18.0, focal_px=stretch * focal_px(26.0, SIZE_PX), height_mm=1800.0)
    rng = np.random.default_rng(0)
    seen = detect(view, draw_papers(rim(6), Flaws(), rng), 0.05, rng)
    solved = solve_lay([make_photo(view)], [seen])
    told = [c for c in solved.checks if c.slug == "focal-length-contradicted"]
    assert len(told) == (stretch != 1.0)
    assert all(c.value == pytest.approx(26.0 * stretch, rel=0.05) and c.unit == "mm" for c in told)
    assert "photo-looks-cropped" not in {c.slug for c in solved.checks}
