"""Labels keep clear of tools, of each other and of the picture's rim."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon, box

from tracer.pictures.labels import Occupancy, place

SIZE = (1000, 800)


def ring(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def test_rows_of_tools_leave_every_label_clear() -> None:
    tools = [ring(150, 60 + 140 * i, 850, 120 + 140 * i) for i in range(5)]
    taken = Occupancy(SIZE)
    for tool in tools:
        taken.add(tool)
    labels = []
    for tool in tools:
        x, y, _ = place(taken, tool, tool.mean(axis=0), (260, 56))
        labels.append(box(x, y, x + 260, y + 56))
    frame = box(0, 0, *SIZE)
    for i, label in enumerate(labels):
        assert frame.contains(label)
        # the map of taken places is 8 px coarse
        assert all(label.intersection(Polygon(t)).area < 8 * 260 for t in tools)
        assert all(label.intersection(other).area < 1 for other in labels[:i])
        assert label.distance(Polygon(tools[i])) < 60


def test_label_at_the_rim_stays_in_the_picture() -> None:
    taken = Occupancy(SIZE)
    tool = ring(900, 700, 995, 795)
    taken.add(tool)
    x, y, _ = place(taken, tool, tool.mean(axis=0), (300, 60))
    assert 0 <= x <= SIZE[0] - 300
    assert 0 <= y <= SIZE[1] - 60


def test_price_counts_what_is_covered() -> None:
    taken = Occupancy(SIZE)
    taken.add(ring(80, 80, 160, 160))
    assert taken.price((80, 80, 160, 160)) > 90  # ten by ten cells and their rim
    assert taken.price((400, 400, 480, 480)) == 0


def test_where_it_is_crowded_the_number_alone_is_placed() -> None:
    tools = [ring(100 + 130 * i, 100 + 130 * k, 220 + 130 * i, 220 + 130 * k)
             for i in range(5) for k in range(4)]  # fmt: skip
    taken = Occupancy(SIZE)
    for tool in tools:
        taken.add(tool)
    middle = tools[9]
    x, y, small = place(taken, middle, middle.mean(axis=0), (300, 60), (50, 30))
    assert small
    assert box(x, y, x + 50, y + 30).distance(Polygon(middle)) < 30
    # room at the rim: the whole label
    alone = Occupancy(SIZE)
    alone.add(middle)
    assert place(alone, middle, middle.mean(axis=0), (300, 60), (50, 30))[2] is False
