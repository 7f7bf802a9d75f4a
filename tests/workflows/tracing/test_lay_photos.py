"""Photos that do not belong to a lay: named, and the rest is used."""

from __future__ import annotations

import numpy as np
import pytest

from tests.calibration.bench import Flaws, Place, detect, draw_papers, make_photo, make_view, rim
from tracer.calibration import CardSizes
from tracer.errors import TracerError
from tracer.workflows.tracing import lay_photos
from tracer.workflows.tracing.lay_photos import belonging, left_out, without_doubles

OTHER: dict[int, Place] = {
    0: (0.0, 0.0, 0.0),
    1: (500.0, 300.0, 1.0),
    2: (200.0, 480.0, 0.3),
    3: (700.0, 60.0, 2.0),
}


@pytest.fixture
def bench(monkeypatch):
    """Photos by letter, each of the lay that is given; "" has no card."""

    def make(lays: dict[str, dict[int, Place]]):
        rng = np.random.default_rng(4)
        views, seen = [], {}
        for k, (name, places) in enumerate(lays.items()):
            # the last photo is taken from the other side of the bench: the picture is upside down
            turn = 180.0 if name == "z" else 0.0
            view = make_view(name, shift_mm=(150.0 * k - 200, 60.0 * k), aim=True, roll_deg=turn)
            views.append(view)
            if places:
                papers = draw_papers(places, Flaws(0.15, 0.0002, 0.05), rng)
                seen[f"{name}.jpg"] = detect(view, papers, 0.15, rng)

        def found(_grey, name: str, _focal):
            if name not in seen:
                raise TracerError("no-card", f"In {name} no scale card was found.")
            return seen[name]

        monkeypatch.setattr(lay_photos, "grey_of", lambda photo: None)
        monkeypatch.setattr(lay_photos, "detect_cards", found)
        return [make_photo(view) for view in views]

    return make


def decided(photos, known: int = 0) -> tuple[str, dict[str, str]]:
    kept, out = belonging(photos, known, CardSizes())
    return "".join(photos[k].photo_id for k in kept), {
        photos[o.photo].photo_id: o.error.slug for o in out
    }


def test_photos_of_one_lay_stay_upside_down_or_not(bench) -> None:
    assert decided(bench({"a": rim(4), "b": rim(4), "z": rim(4)})) == ("abz", {})


def test_the_odd_one_out_is_named(bench) -> None:
    photos = bench({"a": rim(4), "b": OTHER, "c": rim(4), "d": {}})
    assert decided(photos) == ("ac", {"b": "photo-of-another-lay", "d": "no-card"})
    _, out = belonging(photos, 0, CardSizes())
    checks = left_out(out, [p.name for p in photos])
    assert [c.sentence.split(" was left out: ")[0] for c in checks] == ["b.jpg", "d.jpg"]
    assert checks[1].sentence.endswith("in d.jpg no scale card was found.")


def test_two_against_two_is_nobodys_to_decide(bench) -> None:
    assert decided(bench({"a": rim(4), "b": OTHER, "c": rim(4), "d": OTHER}))[0] == ""


def test_a_lay_that_is_known_is_not_outvoted(bench) -> None:
    photos = bench({"a": rim(4), "b": OTHER, "c": OTHER})
    assert decided(photos, known=1) == (
        "a",
        {"b": "photo-of-another-lay", "c": "photo-of-another-lay"},
    )


def test_a_photo_given_twice_counts_once() -> None:
    kept, out = without_doubles(["1", "2", "1"], ["a.jpg", "b.jpg", "copy of a.jpg"])
    assert kept == [0, 1]
    assert [o.photo for o in out] == [2]
    assert "a.jpg and copy of a.jpg are the same photo" in out[0].error.sentence
