"""Inside before outside, small before large: as a property, against geometry."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from tests.export.drawings import cut_drawing
from tracer.export.drawing.order import in_cutting_order
from tracer.geometry.loops import flatten
from tracer.model.drawing import CutPath, Layer, Loop, Operation

THROUGH, POCKET = Layer(Operation.THROUGH), Layer(Operation.POCKET, 10.0)


@st.composite
def nests(draw: st.DrawFn) -> list[CutPath]:
    """Discs apart from one another, each with up to three discs inside one another."""
    paths = []
    for column in range(draw(st.integers(1, 5))):
        radius = draw(st.floats(5, 40))
        for _ in range(draw(st.integers(1, 3))):
            layer = draw(st.sampled_from([THROUGH, POCKET]))
            paths.append(CutPath(Loop.circle(100.0 * column, 50, radius), layer))
            radius *= draw(st.floats(0.3, 0.9))
    edge = CutPath(Loop.rectangle(-60, -20, 620, 140), Layer(Operation.SHEET_EDGE))
    return draw(st.permutations([*paths, edge]))


@given(nests())
def test_nothing_is_cut_after_what_contains_it(paths: list[CutPath]) -> None:
    ordered = in_cutting_order(paths)
    shapes = [Polygon(flatten(path.loop, 0.05)) for path in ordered]
    for early, shape in enumerate(shapes):
        for late in shapes[early + 1 :]:
            assert not (shape.contains(late) and shape.area > late.area * 1.0001)


@given(nests())
def test_small_comes_before_large_on_one_layer_of_one_nest(paths: list[CutPath]) -> None:
    alone = [p for p in paths if p.layer is THROUGH]
    ordered = in_cutting_order(alone)
    areas = [Polygon(flatten(p.loop, 0.05)).area for p in ordered]
    free = [
        a
        for a, p in zip(areas, ordered, strict=True)
        if not any(Polygon(flatten(q.loop, 0.05)).contains(
            Polygon(flatten(p.loop, 0.05))) for q in ordered if q is not p)
    ]  # fmt: skip
    assert free == sorted(free)


def test_the_sheet_edge_comes_last() -> None:
    assert cut_drawing().paths[-1].layer.operation is Operation.SHEET_EDGE
