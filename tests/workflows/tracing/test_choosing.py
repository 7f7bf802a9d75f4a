"""More photos than can be solved together: sharp ones from all sides are chosen."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from tests.calibration.bench import Flaws, detect, draw_papers, make_photo, make_view, rim
from tracer.calibration import CardSizes
from tracer.photos import decode_photo
from tracer.workflows.tracing import choosing
from tracer.workflows.tracing.choosing import Look, best_looks, chosen_check, look_at


def looks(places, blur=1.0) -> list[Look]:
    blurs = np.broadcast_to(blur, len(places))
    return [
        Look(k, float(b), None if p is None else np.array(p, float))
        for k, (p, b) in enumerate(zip(places, blurs, strict=True))
    ]


def test_the_middle_and_the_corners_win_over_near_doubles() -> None:
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    doubles = [(0.1, 0.0), (0.95, 0.95), (-0.95, -0.9)]
    assert best_looks(looks([(0, 0), *corners, *doubles]), 5) == [0, 1, 2, 3, 4]


def test_a_blurred_photo_waits_until_nothing_else_is_left() -> None:
    places = [(0, 0), (1, 0), (-1, 0), (0, 1)]
    some = looks(places, [1, 1, 1, 3])
    assert best_looks(some, 3) == [0, 1, 2]
    assert best_looks(some, 4) == [0, 1, 2, 3]


def test_a_photo_without_cards_comes_last() -> None:
    assert best_looks(looks([(0, 0), None, (1, 0), (2, 0)]), 3) == [0, 2, 3]


def test_places_are_those_of_the_cameras(monkeypatch) -> None:
    """Photos that show different cards meet in one frame: distances are those between cameras."""
    rng = np.random.default_rng(2)
    papers = draw_papers(rim(6), Flaws(0.1), rng)
    spots = [(-300.0, 0.0), (0.0, 200.0), (300.0, -100.0)]
    views = [make_view(f"p{k}", shift_mm=s, aim=True) for k, s in enumerate(spots)]
    shown = [range(4), (0, 2, 5), (1, 2, 5)]
    seen = {
        f"{v.photo_id}.jpg": detect(v, {n: papers[n] for n in few}, 0.1, rng)
        for v, few in zip(views, shown, strict=True)
    }
    monkeypatch.setattr(choosing, "grey_of", lambda photo: None)
    monkeypatch.setattr(choosing, "detect_cards", lambda grey, name, focal: seen[name])
    found = look_at([make_photo(v) for v in views], CardSizes())
    places = np.array([k.place for k in found])
    for a, b in ((0, 1), (1, 2), (0, 2)):
        true = np.linalg.norm(np.subtract(spots[a], spots[b])) / 1500.0
        assert np.linalg.norm(places[a] - places[b]) == pytest.approx(true, abs=0.03)


def test_the_chosen_are_named() -> None:
    check = chosen_check([0, 2], ["a.jpg", "b.jpg", "c.jpg"])
    assert "a.jpg, c.jpg" in check.sentence
    assert "b.jpg" in check.remedy


def test_a_small_picture_is_half_as_large_and_the_same_photo() -> None:
    out = BytesIO()
    Image.fromarray(np.full((1200, 1600, 3), 90, np.uint8)).save(out, "JPEG")
    whole, half = (decode_photo(out.getvalue(), "a.jpg", shrink=s) for s in (1, 2))
    assert whole.size_px == (1600, 1200)
    assert half.size_px == (800, 600)
    assert half.photo_id == whole.photo_id
