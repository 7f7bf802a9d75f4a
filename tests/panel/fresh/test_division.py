"""A set spread over bays: hard rules held, and the soft ones where nothing stands against them."""

from __future__ import annotations

import itertools
import random

import pytest

from tracer.model.panel import BayKind
from tracer.panel.fresh.division import Division, Reason, Room, Thing, divided
from tracer.panel.fresh.score import weights_for

WEIGHTS = weights_for(BayKind.DRAWER, {})


def thing(name: str, area: float = 10.0, **more: object) -> Thing:
    known: dict[str, object] = {"kin": name, "mass_kg": 1.0, "daily": False, "bays": (0, 1)}
    return Thing((name,), area_mm2=area, **{**known, **more})  # type: ignore[arg-type]


def by_area(things: list[Thing], limits: list[float]):  # type: ignore[no-untyped-def]
    """A bay holds what its area holds."""

    def holds(bay: int, chosen: tuple[int, ...]) -> bool:
        return sum(things[i].area_mm2 for i in chosen) <= limits[bay] + 1e-9

    return holds


def spread(things: list[Thing], limits: list[float]) -> Division:
    # usable areas are such that the limits are what can be filled at best
    rooms = [Room(f"bay {n}", a / 0.76) for n, a in enumerate(limits)]
    return divided(things, rooms, by_area(things, limits), WEIGHTS)


def test_heavy_ones_go_low_daily_ones_to_the_hand_and_each_is_told() -> None:
    things = [
        thing("vice", mass_kg=9.0),
        thing("anvil", mass_kg=8.0),
        thing("key", mass_kg=0.2, daily=True),
        thing("lever", mass_kg=0.2, daily=True),
    ]
    found = spread(things, [50.0, 50.0])
    assert found.bay == (1, 1, 0, 0)
    assert found.why == (Reason.HEAVY, Reason.HEAVY, Reason.DAILY, Reason.DAILY)


def test_like_goes_with_like_where_weight_says_nothing() -> None:
    things = [thing(f"{kin} {n}", kin=kin) for n in range(3) for kin in ("spanner", "lever")]
    found = spread(things, [45.0, 45.0])
    assert found.bay in [(0, 1) * 3, (1, 0) * 3]
    assert set(found.why) == {Reason.KIN}


def test_a_share_that_only_one_split_gives_is_found() -> None:
    """Two bays of 10, things of 6, 5, 4, 3, 2: 6 + 4 and 5 + 3 + 2 is the only way (by hand)."""
    things = [thing(str(a), float(a)) for a in (6, 5, 4, 3, 2)]
    found = spread(things, [10.0, 10.0])
    assert found.out == ()
    sums = [sum(things[i].area_mm2 for i in found.of(b)) for b in (0, 1)]
    assert sums == [10.0, 10.0]


def test_what_only_one_bay_is_deep_or_large_enough_for_goes_there() -> None:
    things = [thing("long", bays=(0,), mass_kg=9.0), thing("short", mass_kg=0.1)]
    found = spread(things, [30.0, 30.0])
    assert found.bay[0] == 0 and found.why[0] is Reason.ONLY


def test_a_hand_decides_before_every_rule() -> None:
    things = [thing("vice", mass_kg=9.0, put=0), thing("key", daily=True, put=1)]
    found = spread(things, [30.0, 30.0])
    assert found.bay == (0, 1) and found.why == (Reason.PUT, Reason.PUT)


def test_what_fits_nowhere_is_left_out_and_the_rest_is_placed() -> None:
    things = [thing("plank", bays=()), *(thing(f"t{n}") for n in range(4))]
    found = spread(things, [20.0, 20.0])
    assert found.out == (0,) and found.why[0] is None
    assert len(found.of(0)) == len(found.of(1)) == 2


def test_a_bay_that_does_not_hold_its_area_is_given_less() -> None:
    """Shapes that do not go together: the low bay holds two of them whatever its area says."""
    things = [thing(f"t{n}") for n in range(6)]
    asked: list[tuple[int, tuple[int, ...]]] = []

    def holds(bay: int, chosen: tuple[int, ...]) -> bool:
        asked.append((bay, chosen))
        return len(chosen) <= (2 if bay == 1 else 4)

    found = divided(things, [Room("a", 80.0), Room("b", 80.0)], holds, WEIGHTS)
    assert found.out == ()
    assert len(found.of(0)) == 4 and len(found.of(1)) == 2
    assert len(asked) == len(set(asked))  # no set is laid out twice


@pytest.mark.parametrize("seed", range(6))
def test_no_more_is_left_out_than_a_search_of_all_spreads_leaves(seed: int) -> None:
    dice = random.Random(seed)
    things = [thing(str(n), float(dice.randint(2, 9)), mass_kg=dice.random()) for n in range(7)]
    total = sum(t.area_mm2 for t in things)
    limits = [round(0.45 * total), round(0.4 * total)]
    found = spread(things, [float(v) for v in limits])
    largest = max(t.area_mm2 for t in things)

    def worth(bays: tuple[int | None, ...]) -> float:
        """As many tools as can be, large ones before small ones."""
        return sum(
            1 + t.area_mm2 / largest for t, b in zip(things, bays, strict=True) if b is not None
        )

    def kept(bays: tuple[int | None, ...]) -> bool:
        full = [0.0, 0.0]
        for t, b in zip(things, bays, strict=True):
            if b is not None:
                full[b] += t.area_mm2
        return all(f <= v for f, v in zip(full, limits, strict=True))

    best = max(worth(b) for b in itertools.product((None, 0, 1), repeat=len(things)) if kept(b))
    assert kept(found.bay)
    assert worth(found.bay) == pytest.approx(best)


def test_the_same_things_give_the_same_spread() -> None:
    things = [thing(f"t{n}", 5.0 + n % 4, mass_kg=n / 3, kin=f"k{n % 3}") for n in range(14)]
    first, second = (spread(things, [60.0, 60.0]) for _ in range(2))
    assert first == second and first.out == ()
