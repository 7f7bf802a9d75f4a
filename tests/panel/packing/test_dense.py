"""The shortest strip: against packings that are known to be perfect, and the same every time."""

from __future__ import annotations

import pytest
from shapely import affinity

from tests.panel.packing.shapes import centred, task_for
from tracer.panel.packing.dense import packed, used_mm
from tracer.panel.packing.task import Spot, Task


def strips(task: Task, seed: int, effort: int = 2) -> list[tuple[Spot, ...]]:
    found: list[tuple[Spot, ...]] = []
    packed(task, seed, effort, lambda: None, found.append)
    return found


#: pieces of a rectangle of 120 x 100 cut right across: they fill it without a rest (by hand)
PERFECT = [(40, 60), (80, 35), (50, 25), (30, 25), (40, 40), (45, 40), (35, 40)]


def test_pieces_of_a_cut_rectangle_take_little_more_than_it() -> None:
    assert sum(w * h for w, h in PERFECT) == 120 * 100
    task = task_for([centred(w, h) for w, h in PERFECT], 300, 100.5)
    best = strips(task, 0)[-1]
    assert used_mm(task, best) <= 1.2 * 120


def test_every_strip_is_sound_and_shorter_than_the_one_before() -> None:
    shapes = [centred(60, 18), centred(44, 30), centred(25, 25), centred(70, 12), centred(33, 40)]
    task = task_for([affinity.skew(s, 8 * n) for n, s in enumerate(shapes)], 240, 80)
    found = strips(task, 3)
    lengths = [used_mm(task, f) for f in found]
    assert lengths == sorted(lengths, reverse=True) and len(found) > 1
    for one in found:
        placed = [task.envelope(s) for s in one]
        assert all(task.shape.buffer(0.1).contains(p) for p in placed)
        shared = [a.intersection(b).area for n, a in enumerate(placed) for b in placed[n + 1 :]]
        assert max(shared) < 0.5


@pytest.mark.parametrize("seed", [0, 5])
def test_the_same_seed_gives_the_same_strip(seed: int) -> None:
    task = task_for([centred(w, h) for w, h in PERFECT], 300, 110)
    assert strips(task, seed, 1)[-1] == strips(task, seed, 1)[-1]
