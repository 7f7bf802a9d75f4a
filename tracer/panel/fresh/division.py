"""A set of tools spread over several bays: who goes where, and why.

Which tool goes into which bay is solved as a whole (mixed integer programme): heavy ones low, daily
ones near the hand, like with like, bays filled alike. Area alone does not say whether a bay holds
its share: every share is laid out, and where that fails the bay is given less and all is solved
again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

__all__ = ["Division", "Reason", "Room", "Thing", "divided"]

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: share of a bay that tools with their gaps may take, from roomy to as tight as is found at all
_FILLS = (0.55, 0.62, 0.69, 0.76)
#: a bay that does not hold its share is given this much of it
_LESS = 0.96
_ROUNDS = 8
#: cost of a tool left out; of heavy ones high up against other terms (own choice: a cabinet that is
#: heavy at the top tips over); of bays filled unalike
_OUT, _LOW, _EVEN = 1000.0, 3.0, 3.0
#: own choice: heavy is what has this share of the heaviest one, and is this much over the middle
_HEAVY, _OVER = 0.5, 1.5
#: nodes of the search tree: counted, not timed, so that equal inputs give equal answers
_NODES = 400


class Reason(StrEnum):
    """Why a tool went where it went: the first that holds."""

    PUT = "put there by hand"
    ONLY = "no other bay is large or deep enough"
    DAILY = "used daily: near the hand"
    HEAVY = "heavy: low"
    KIN = "beside its like"
    ROOM = "there is room"


@dataclass(frozen=True)
class Thing:
    """A tool, or tools that share a slot: what is known of it.

    Attributes
    ----------
    area_mm2
        With its gaps, notches and label.
    bays
        Numbers of bays that it fits alone, by size and depth.
    put
        Number of the bay that a person chose, or None.
    """

    ids: tuple[str, ...]
    kin: str
    area_mm2: float
    mass_kg: float
    daily: bool
    bays: tuple[int, ...]
    put: int | None = None


@dataclass(frozen=True)
class Room:
    """A bay: its usable area. Bays come in order from the one nearest to hand to the lowest."""

    name: str
    area_mm2: float


@dataclass(frozen=True)
class Division:
    """Bay and reason of every thing in the order given; None: left out."""

    bay: tuple[int | None, ...]
    why: tuple[Reason | None, ...]

    def of(self, bay: int) -> tuple[int, ...]:
        """Things in a bay."""
        return tuple(i for i, b in enumerate(self.bay) if b == bay)

    @property
    def out(self) -> tuple[int, ...]:
        """Things that are left out."""
        return tuple(i for i, b in enumerate(self.bay) if b is None)


def divided(
    things: Sequence[Thing],
    rooms: Sequence[Room],
    holds: Callable[[int, tuple[int, ...]], bool],
    weights: Mapping[str, float],
) -> Division:
    """Spread things over bays.

    Parameters
    ----------
    holds
        Whether a bay holds things together: a layout was found. Asked once for each set.
    weights
        Of ``heavy``, ``daily`` and ``kin``.
    """
    known: dict[tuple[int, tuple[int, ...]], bool] = {}

    def held(bay: int, chosen: tuple[int, ...]) -> bool:
        if not chosen:
            return True
        key = bay, chosen
        if key not in known:
            known[key] = holds(bay, chosen)
        return known[key]

    best: list[int | None] = [None] * len(things)
    for fill in _FILLS:
        most = np.array([fill * r.area_mm2 for r in rooms])
        for _ in range(_ROUNDS):
            found = _solved(things, rooms, most, weights)
            if None in found and fill != _FILLS[-1]:
                break  # more must be allowed
            sound = [b if b is None or held(b, _of(found, b)) else None for b in found]
            if _better(things, sound, best):
                best = sound
            if None not in sound:
                return Division(tuple(sound), _reasons(things, sound, len(rooms)))
            tight = [b for b in range(len(rooms)) if not held(b, _of(found, b))]
            if not tight:
                break
            for b in tight:
                most[b] = _LESS * sum(things[i].area_mm2 for i in _of(found, b))
    best = _squeezed_in(things, best, held)
    return Division(tuple(best), _reasons(things, best, len(rooms)))


def _of(bays: Sequence[int | None], bay: int) -> tuple[int, ...]:
    return tuple(i for i, b in enumerate(bays) if b == bay)


def _better(
    things: Sequence[Thing], one: Sequence[int | None], other: Sequence[int | None]
) -> bool:
    def placed(bays: Sequence[int | None]) -> float:
        return sum(t.area_mm2 for t, b in zip(things, bays, strict=True) if b is not None)

    return placed(one) > placed(other)


def _solved(
    things: Sequence[Thing], rooms: Sequence[Room], most: Array, weights: Mapping[str, float]
) -> list[int | None]:
    """The cheapest spread whose shares keep the areas ``most``; None where a thing is left out."""
    n, m = len(things), len(rooms)
    kin = sorted({t.kin for t in things})
    several = [k for k in kin if sum(t.kin == k for t in things) > 1]
    x = np.arange(n * m).reshape(n, m)  # thing i in bay b
    y = n * m + np.arange(len(several) * m).reshape(len(several), m)  # some of a kin in a bay
    fullest = n * m + len(several) * m
    size = fullest + 1
    step = np.arange(m) / max(m - 1, 1)  # 0 near the hand, 1 lowest
    heaviest = max((t.mass_kg for t in things), default=1.0) or 1.0
    area = np.array([t.area_mm2 for t in things])
    cost = np.zeros(size)
    for i, t in enumerate(things):
        cost[x[i]] = _LOW * weights["heavy"] * t.mass_kg / heaviest * (1 - step)
        if t.daily:
            cost[x[i]] += weights["daily"] * _LOW * step
        # left out is what no bay has; a large thing is missed more than a small one
        cost[x[i]] -= _OUT * (1 + area[i] / area.max())
    cost[y] = weights["kin"]
    cost[fullest] = _EVEN * n / m
    upper = np.ones(size)
    for i, t in enumerate(things):
        allowed = t.bays if t.put is None else (t.put,)
        upper[x[i]] = np.isin(np.arange(m), allowed)
    rows: list[Array] = []
    low: list[float] = []
    high: list[float] = []

    def rule(places: Index, values: Array | float, at_least: float, no_more: float) -> None:
        row = np.zeros(size)
        row[places] = values
        rows.append(row)
        low.append(at_least)
        high.append(no_more)

    for i in range(n):
        rule(x[i], 1.0, 0.0, 1.0)
    for b in range(m):
        scale = rooms[b].area_mm2
        rule(x[:, b], area / scale, 0.0, most[b] / scale)
        rule(np.append(x[:, b], fullest), np.append(area / scale, -1.0), -np.inf, 0.0)
    for k, name in enumerate(several):
        for i, t in enumerate(things):
            if t.kin == name:
                for b in range(m):
                    rule(np.array([x[i, b], y[k, b]]), np.array([1.0, -1.0]), -np.inf, 0.0)
    whole = np.ones(size, np.int64)
    whole[y] = 0  # one as soon as its things are there
    whole[fullest] = 0
    found = milp(
        cost,
        integrality=whole,
        bounds=Bounds(np.zeros(size), upper),
        constraints=LinearConstraint(np.array(rows), np.array(low), np.array(high)),
        options={"node_limit": _NODES, "mip_rel_gap": 1e-4},
    )
    if found.x is None:
        return [None] * n
    chosen = found.x[: n * m].reshape(n, m)
    return [int(row.argmax()) if row.max() > 0.5 else None for row in chosen]


def _squeezed_in(
    things: Sequence[Thing],
    bays: Sequence[int | None],
    held: Callable[[int, tuple[int, ...]], bool],
) -> list[int | None]:
    """What was left out, large ones first, put in wherever a layout is found for it after all."""
    now = list(bays)
    for i in sorted(_out(now), key=lambda i: (-things[i].area_mm2, i)):
        put = things[i].put
        for b in things[i].bays if put is None else (put,):
            if b in things[i].bays and held(b, tuple(sorted((*_of(now, b), i)))):
                now[i] = b
                break
    return now


def _out(bays: Sequence[int | None]) -> list[int]:
    return [i for i, b in enumerate(bays) if b is None]


def _reasons(
    things: Sequence[Thing], bays: Sequence[int | None], count: int
) -> tuple[Reason | None, ...]:
    masses = [t.mass_kg for t in things]
    heavy = max(_HEAVY * max(masses, default=0.0), _OVER * median(masses or [0.0]))
    found: list[Reason | None] = []
    for i, (thing, bay) in enumerate(zip(things, bays, strict=True)):
        like = [b for k, (t, b) in enumerate(zip(things, bays, strict=True))
                if t.kin == thing.kin and k != i]  # fmt: skip
        if bay is None:
            found.append(None)
        elif thing.put is not None:
            found.append(Reason.PUT)
        elif len(thing.bays) == 1:
            found.append(Reason.ONLY)
        elif thing.daily and bay < count / 2:
            found.append(Reason.DAILY)
        elif thing.mass_kg >= heavy and bay >= count / 2:
            found.append(Reason.HEAVY)
        elif bay in like:
            found.append(Reason.KIN)
        else:
            found.append(Reason.ROOM)
    return tuple(found)
