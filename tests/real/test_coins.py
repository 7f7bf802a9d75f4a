"""Coins on real photos against their legal diameters.

Needs TRACER_REAL, a folder with ``euro_coins``: photos and ``coins.csv``. Diameters by Council
Regulation (EC) No 975/98, annex I. The limits lie about a quarter above what was measured, since
decoders and the network's engine differ a little between releases; `docs/explanation/accuracy.md`
has the figures, which the goal of 0.15 mm does not yet cover on wood.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.coins import (
    CoinPhoto,
    fit_diameters,
    measure,
    read_coins,
    residual_rms_mm,
)
from tracer.segmentation import Way

FOLDER = os.environ.get("TRACER_REAL")
needs_photos = pytest.mark.skipif(not FOLDER, reason="TRACER_REAL is not set: no real photos")

#: Council Regulation (EC) No 975/98, annex I: value in euro to diameter in mm
LEGAL_MM = {
    "2": 25.75,
    "1": 23.25,
    "0.50": 24.25,
    "0.20": 22.25,
    "0.10": 19.75,
    "0.05": 21.25,
    "0.02": 18.75,
    "0.01": 16.25,
}
RMS_MM = {  # measured 0.22, 0.24, 0.09 and 0.25; a pixel is 0.10, 0.31, 0.10 and 0.05 mm
    "269.jpg": 0.27,
    "191.jpg": 0.29,
    "89.jpg": 0.12,
    "233.jpg": 0.31,
}


@cache
def found(name: str) -> CoinPhoto:
    folder = Path(FOLDER or "") / "euro_coins"
    return measure(folder / name, read_coins(folder / "coins.csv")[name])


def test_the_fit_takes_out_scale_and_tilt_and_nothing_else() -> None:
    legal = np.array(list(LEGAL_MM.values()))
    places = np.random.default_rng(3).uniform(0, 300, (len(legal), 2))
    seen = legal * (1.07 + places @ [2e-4, -1e-4])
    assert fit_diameters(seen, legal, places) == pytest.approx(legal, abs=1e-9)
    seen[2] += 0.6  # a coin with its shadow
    rest = fit_diameters(seen, legal, places) - legal
    assert np.argmax(np.abs(rest)) == 2
    assert 0.2 < rest[2] < 0.6


@needs_photos
def test_the_list_of_coins_has_the_legal_diameters() -> None:
    coins = read_coins(Path(FOLDER or "") / "euro_coins" / "coins.csv")
    assert all(c.diameter_mm == LEGAL_MM[c.value_eur] for some in coins.values() for c in some)


@needs_photos
@pytest.mark.parametrize("name", RMS_MM)
def test_each_coin_is_one_region_of_the_right_size(name: str) -> None:
    photo = found(name)
    assert photo.count == len(photo.coins)
    assert photo.merged == 0
    assert photo.invented <= 1  # on 191 a darker band of wood at the photo's edge
    assert residual_rms_mm([photo]) < RMS_MM[name]


@needs_photos
def test_diameters_over_all_photos() -> None:
    photos = [found(name) for name in RMS_MM]
    assert residual_rms_mm(photos) < 0.26  # measured 0.21


@needs_photos
def test_a_coin_of_another_value_would_be_noticed() -> None:
    """Negative control: the bound is no bound if any list of diameters fits."""
    folder = Path(FOLDER or "") / "euro_coins"
    coins = list(read_coins(folder / "coins.csv")["89.jpg"])
    one, five = coins[0], coins[1]
    swapped = [
        type(c)(c.value_eur, d, c.middle_px, c.rough_radius_px)
        for c, d in zip(coins[:2], (five.diameter_mm, one.diameter_mm), strict=True)
    ]
    wrong = measure(folder / "89.jpg", [*swapped, *coins[2:]])
    assert residual_rms_mm([wrong]) > 10 * residual_rms_mm([found("89.jpg")])


@needs_photos
def test_without_the_model_coins_on_plain_sheets_are_found_too() -> None:
    folder = Path(FOLDER or "") / "euro_coins"
    coins = read_coins(folder / "coins.csv")
    for name in ("269.jpg", "89.jpg"):
        photo = measure(folder / name, coins[name], way=Way.CLASSICAL)
        assert photo.count == len(photo.coins)
        assert residual_rms_mm([photo]) < 0.21  # measured 0.18 and 0.08
