"""Rendered scans to their calibration: accuracy, findings, and one sentence for what is no scan."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from io import BytesIO

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.scan_maker import Flaws, GlassCard, Scan, make_scan
from tests.scene_maker import make_scene, make_view
from tracer.calibration import CardSizes, calibrate, calibrate_scan
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.photo import Photo
from tracer.model.report import Severity
from tracer.photos import decode_photo

GLASS_MM = (190.0, 140.0)  # a card and little more
SIZES = CardSizes((168.0, 112.0))
DPI = (200.0, 200.8)


@cache
def card_scan(
    cards: tuple[GlassCard, ...] = (GlassCard(),),
    *,
    dpi: tuple[float, float] = DPI,
    stated_dpi: tuple[float, float] = (200.0, 200.0),
    turn_deg: float = 2.0,
    glass_mm: tuple[float, float] = GLASS_MM,
    corner_mm: tuple[float, float] = (-11.0, -14.0),
) -> Scan:
    return make_scan(
        cards=cards,
        dpi=dpi,
        stated_dpi=stated_dpi,
        turn_deg=turn_deg,
        glass_mm=glass_mm,
        corner_mm=corner_mm,
    )


def photo(scan: Scan, kind: str = "PNG", dpi: tuple[float, float] | None = None) -> Photo:
    return decode_photo(scan.file(kind, dpi=dpi), f"parts.{kind.lower()}")


def away_mm(found: Calibration, scan: Scan) -> float:
    """Largest error of the map over the scan."""
    w, h = scan.true_map.size_px
    rim = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    error = found.views[0].to_sheet(rim) - scan.true_map.to_sheet(rim)
    return float(np.abs(error).max())


def slugs(found: Calibration) -> set[str]:
    return {check.slug for check in found.checks}


def refusal(scan: Photo, sizes: CardSizes = SIZES) -> TracerError:
    with pytest.raises(TracerError) as caught:
        calibrate_scan(scan, card_sizes=sizes)
    assert "\n" not in caught.value.sentence
    return caught.value


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_the_glass_is_known_to_a_hundredth_of_a_millimetre(kind: str) -> None:
    """Corners of 0.03 px (0.004 mm), fifteen of them; the rim is 1.7 times as far as they."""
    scan = card_scan()
    found = calibrate_scan(photo(scan, kind), card_sizes=SIZES)
    assert away_mm(found, scan) < 0.01
    assert found.views[0].dpi == pytest.approx(DPI, abs=0.02)
    assert found.cards[0].placement == (0.0, 0.0, 0.0)
    assert found.sigma_px < 0.06
    assert found.cameras == () and found.pose_cov == {}


@pytest.mark.parametrize(("turn_deg", "most_mm"), [(90.0, 0.04), (180.7, 0.015), (-91.0, 0.015)])
def test_the_card_may_lie_in_any_direction(turn_deg: float, most_mm: float) -> None:
    """Square to the picture, the renderer's own steps of a sixth of a pixel (0.02 mm) add up."""
    scan = card_scan(turn_deg=turn_deg, glass_mm=(210.0, 210.0), corner_mm=(-21.0, -49.0))
    assert away_mm(calibrate_scan(photo(scan), card_sizes=SIZES), scan) < most_mm


def test_a_typed_size_is_honoured_along_both_sides() -> None:
    """A card printed 2 % small along its length and 1 % along its height, and measured so."""
    shares = (0.98, 0.99)
    scan = card_scan((GlassCard(scale=shares),))
    typed = CardSizes((168.0 * shares[0], 112.0 * shares[1]))
    found = calibrate_scan(photo(scan), card_sizes=typed)
    assert found.views[0].dpi == pytest.approx(DPI, abs=0.05)
    wrong = calibrate_scan(photo(scan), card_sizes=SIZES)
    assert wrong.views[0].dpi[0] == pytest.approx(DPI[0] * 0.98, rel=1e-3)


def test_where_the_file_says_other_pixels_an_inch() -> None:
    scan = card_scan()
    typed = calibrate_scan(photo(scan), card_sizes=SIZES)
    (told,) = [c for c in typed.checks if c.slug == "scan-resolution-differs"]
    assert told.severity is Severity.NOTE
    assert re.search(r"says 200 pixels an inch.* 200\.0 along .* and 200\.8 along", told.sentence)
    assert told.value == pytest.approx(0.4, abs=0.01)
    untyped = calibrate_scan(photo(scan))
    (told,) = [c for c in untyped.checks if c.slug == "scan-resolution-differs"]
    assert told.severity is Severity.WARN
    assert {"card-size-not-typed"} <= slugs(untyped)


@pytest.mark.parametrize("stated", [(200.0, 200.8), (72.0, 72.0), (96.0, 96.0)])
def test_a_file_that_agrees_or_knows_nothing_is_not_questioned(stated: tuple[float, float]) -> None:
    found = calibrate_scan(photo(card_scan(), dpi=stated), card_sizes=SIZES)
    assert "scan-resolution-differs" not in slugs(found)


def test_a_turned_file_turns_its_resolution() -> None:
    """An orientation tag of 6 stores the upright picture's columns as rows."""
    scan = card_scan(dpi=(200.0, 240.0), stated_dpi=(200.0, 240.0))
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(scan.pixels, 1)))
    exif = Image.Exif()
    exif[0x0112] = 6
    out = BytesIO()
    stored.save(out, "JPEG", quality=95, exif=exif, dpi=(240, 200))
    turned = decode_photo(out.getvalue(), "turned.jpg")
    assert turned.size_px == scan.true_map.size_px
    assert turned.dpi == (200.0, 240.0)
    assert "scan-resolution-differs" not in slugs(calibrate_scan(turned, card_sizes=SIZES))


def test_what_the_corners_leave_open_is_stated() -> None:
    """Paper may differ by 0.07 % of the way from the middle: 0.05 mm at 75 mm; corners add less."""
    found = calibrate_scan(photo(card_scan()), card_sizes=SIZES)
    rim = found.sigma.sigma_mm.max()
    assert 0.0007 * 75 < rim < 0.0007 * 120
    assert found.sigma.sigma_mm.min() < 0.005


def two(second: GlassCard) -> Scan:
    return card_scan((GlassCard(), second), glass_mm=(200.0, 290.0), turn_deg=1.0)


def test_two_cards_on_one_glass() -> None:
    scan = two(GlassCard(7, 4.0, 136.0, 0.02))
    found = calibrate_scan(photo(scan), card_sizes=SIZES)
    assert [c.number for c in found.cards] == [0, 7]
    assert found.cards[1].placement == pytest.approx((4.0, 136.0, 0.02), abs=0.01)
    assert away_mm(found, scan) < 0.01


def test_two_cards_that_contradict_each_other() -> None:
    error = refusal(photo(two(GlassCard(7, 4.0, 136.0, 0.02, (0.985, 0.985)))))
    assert error.slug == "scan-cards-disagree"
    assert "Cards 0 and 7" in error.sentence and "1.5 % longer" in error.sentence
    # each measured, they agree
    own = CardSizes((168.0, 112.0), {7: (168 * 0.985, 112 * 0.985)})
    scan = two(GlassCard(7, 4.0, 136.0, 0.02, (0.985, 0.985)))
    assert len(calibrate_scan(photo(scan), card_sizes=own).cards) == 2


def test_one_number_twice() -> None:
    assert refusal(photo(two(GlassCard(0, 4.0, 136.0)))).slug == "card-number-twice"


def test_no_card() -> None:
    scan = make_scan(cards=(), dpi=(200.0, 200.0), glass_mm=(150.0, 100.0))
    error = refusal(photo(scan))
    assert error.slug == "scan-without-card"
    assert "face down" in error.remedy


def test_a_card_that_is_cut_off() -> None:
    """Half of it: some markers can be read, and less than six inner corners."""
    scan = card_scan(glass_mm=(190.0, 60.0), corner_mm=(-11.0, -14.0))
    assert refusal(photo(scan)).slug == "scan-card-cut"


def test_a_card_of_which_enough_is_seen() -> None:
    """Cut through its upper third: two rows of corners remain, and the map is as good."""
    scan = card_scan(glass_mm=(190.0, 92.0), corner_mm=(-11.0, -14.0))
    found = calibrate_scan(photo(scan), card_sizes=SIZES)
    assert len(found.cards[0].corners_px[found.views[0].photo_id]) < 15
    assert away_mm(found, scan) < 0.02


def test_mirrored_scan_and_card_face_up() -> None:
    """A scanning program that mirrors, and a card whose print looks away from the glass."""
    scan = card_scan()
    flipped = replace(scan, pixels=np.ascontiguousarray(scan.pixels[:, ::-1]))
    assert refusal(photo(flipped)).slug == "scan-mirrored"
    up = card_scan((GlassCard(face_down=False),))
    assert refusal(photo(up)).slug == "scan-mirrored"


def test_a_photo_given_as_a_scan() -> None:
    """By its lens where the file names it; by perspective where it does not."""
    scene = make_scene(view=make_view((2400, 1800), height_mm=400.0, tilt_deg=6.0))
    error = refusal(scene.photo)
    assert error.slug == "scan-is-photo" and "26 mm" in error.sentence
    nameless = replace(scene.photo, focal_35mm=None)
    error = refusal(nameless)
    assert error.slug == "scan-is-photo" and "changes by" in error.sentence


def test_a_coarse_scan() -> None:
    scan = card_scan(dpi=(120.0, 120.0), stated_dpi=(120.0, 120.0))
    error = refusal(photo(scan))
    assert error.slug == "scan-too-coarse" and "120 pixels an inch" in error.sentence


def test_a_card_that_does_not_lie_flat() -> None:
    """Bent in waves of half a millimetre, as paper that has been wet."""
    scan = card_scan()
    h, w = scan.pixels.shape[:2]
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    bent = (y + 4 * np.sin(x / w * 3 * np.pi)).astype(np.float32)
    pixels = cv2.remap(scan.pixels, x, bent, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    error = refusal(photo(replace(scan, pixels=np.asarray(pixels, np.uint8))))
    assert error.slug == "scan-card-not-flat"


@pytest.mark.parametrize("flaws", [Flaws(blur_px=1.2, noise_dn=3.0), Flaws(lid=0.03)])
def test_soft_noisy_or_open_lid(flaws: Flaws) -> None:
    scan = make_scan(
        dpi=DPI,
        stated_dpi=(200.0, 200.0),
        glass_mm=GLASS_MM,
        corner_mm=(-11.0, -14.0),
        turn_deg=2.0,
        flaws=flaws,
    )
    assert away_mm(calibrate_scan(photo(scan), card_sizes=SIZES), scan) < 0.03


def scanned_as_photo(scans: Sequence[Photo]) -> TracerError | set[str]:
    try:
        return slugs(calibrate(scans, card_sizes=SIZES))
    except TracerError as error:
        return error


def test_a_scan_given_as_a_photo_is_told() -> None:
    """Its outlines would be mirrored, and no camera can be told."""
    told = scanned_as_photo([photo(card_scan())])
    said = {told.slug} if isinstance(told, TracerError) else told
    assert "looks-scanned" in said
    # a photo's file states what programs write for screens, or nothing
    quiet = scanned_as_photo([photo(card_scan(), dpi=(72.0, 72.0))])
    said = {quiet.slug} if isinstance(quiet, TracerError) else quiet
    assert "looks-scanned" not in said
