"""A revision counts up when the shape has changed, wherever it has."""

from __future__ import annotations

from dataclasses import replace

from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box

from tests.panel.pocket.test_clearance import outline
from tracer.workflows.tracing.trace import _with_revision

PLATE = box(0, 0, 100, 60)
HOLE = Point(30, 30).buffer(8)


def revision(before: Polygon, now: Polygon) -> int:
    old = replace(outline(before, 0.3), revision=4)
    return _with_revision(outline(now, 0.3), [old]).revision


def test_the_same_shape_keeps_its_revision() -> None:
    assert revision(PLATE, PLATE) == 4
    assert revision(PLATE.difference(HOLE), PLATE.difference(HOLE)) == 4
    # below what is written
    assert revision(PLATE, translate(PLATE, 0.0001)) == 4


def test_a_change_of_rim_or_hole_counts() -> None:
    assert revision(PLATE, box(0, 0, 100.01, 60)) == 5
    assert revision(PLATE, PLATE.difference(HOLE)) == 5
    assert revision(PLATE.difference(HOLE), PLATE.difference(HOLE.buffer(0.5))) == 5


def test_a_tool_that_was_not_there_starts_at_one() -> None:
    assert _with_revision(outline(PLATE, 0.3), []).revision == 1
