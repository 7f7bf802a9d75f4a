"""Which photos decide with which: all of one time, and those that came before."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tracer.calibration import calibrate
from tracer.errors import TracerError
from tracer.model.lay_settings import Separation
from tracer.photos import read_photo
from tracer.segmentation.decide import deciding
from tracer.workflows.tracing import witnesses
from tracer.workflows.tracing.witnesses import Witnesses

WALL = Path(__file__).parents[3] / "sample_images" / "wall"
NOTHING = SimpleNamespace(cards=(), hull_mm=None, views=(None,) * 4, cameras=(None,) * 4)


def photos(count: int) -> list:
    return [SimpleNamespace(photo_id=f"p{k}") for k in range(count)]


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Ids of the photos that were encoded, in order; features are the ids."""
    seen: list[str] = []

    def look(photo: SimpleNamespace, _view: None, **_: object) -> str:
        seen.append(photo.photo_id)
        return photo.photo_id

    monkeypatch.setattr(witnesses, "look", look)
    return seen


def test_photos_of_one_time_decide_together_and_are_encoded_once(looked: list[str]) -> None:
    told: list[float] = []
    some = Witnesses(photos(3), NOTHING, None, {}, told.append)
    found = [some.company(k) for k in range(3)]
    assert [(c.own, list(c.others)) for c in found if c] == [
        ("p0", ["p1", "p2"]),
        ("p1", ["p0", "p2"]),
        ("p2", ["p0", "p1"]),
    ]
    assert sorted(looked) == ["p0", "p1", "p2"]
    some.part(2)(1.0)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_photo_that_is_added_later_changes_nothing_in_those_before(looked: list[str]) -> None:
    """Its key stays, and with it what is remembered; the new one sees all of them."""
    before = Witnesses(photos(2), NOTHING, None, {}, lambda _: None)
    after = Witnesses(photos(3), NOTHING, None, {"p2": 1}, lambda _: None)
    for k in range(2):
        assert before.key(k) == after.key(k)
        one, other = before.company(k), after.company(k)
        assert one is not None
        assert other is not None
        assert (one.own, one.others) == (other.own, other.others)
    added = after.company(2)
    assert added is not None
    assert added.others == ["p0", "p1"]
    assert "p2" in looked


def test_one_photo_and_the_classical_way_have_no_company(looked: list[str]) -> None:
    assert Witnesses(photos(1), NOTHING, None, {}, lambda _: None).company(0) is None
    classical = Witnesses(photos(3), NOTHING, Separation.CLASSICAL, {}, lambda _: None)
    assert [classical.company(k) for k in range(3)] == [None] * 3
    assert not looked


def test_a_damaged_network_leaves_each_photo_to_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    def damaged() -> None:
        raise TracerError("model-damaged", "The model is damaged.")

    monkeypatch.setattr(deciding, "load_joint_networks", damaged)
    pair = [read_photo(p) for p in sorted(WALL.glob("photo_*.jpg"))[:2]]
    some = Witnesses(pair, calibrate(pair), None, {}, lambda _: None)
    assert some.company(0) is None


def test_features_cover_the_working_picture_and_stay_small() -> None:
    """Whole features of one photo, on disk-size half precision: 16 at 2 mm and 24 at 8 mm."""
    pair = [read_photo(p) for p in sorted(WALL.glob("photo_*.jpg"))[:2]]
    company = Witnesses(pair, calibrate(pair), None, {}, lambda _: None).company(0)
    assert company is not None
    rows, cols = company.own.raster.shape
    for features, times, channels in zip(company.own.levels, (2, 8), (16, 24), strict=True):
        assert features.values.dtype == np.float16
        assert features.values.shape == (
            channels,
            -(-rows // 32) * 32 // times,
            -(-cols // 32) * 32 // times,
        )
        assert np.isfinite(features.values).all()
        assert float(np.abs(features.values).max()) > 0.1
        assert features.seen[: rows // times, : cols // times].mean() > 0.5
