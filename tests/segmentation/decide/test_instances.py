"""Maps to tools: on maps drawn by hand, so that each rule is seen alone."""

from __future__ import annotations

import numpy as np

from tracer.segmentation.decide.answers import Answers
from tracer.segmentation.decide.instances import part_instances
from tracer.segmentation.decide.learned import edge_heights
from tracer.segmentation.working_picture.raster import Raster

SHAPE = (160, 360)


def maps(**parts: np.ndarray) -> Answers:
    blank = np.zeros(SHAPE, np.float32)
    full = {k: blank for k in ("fine", "tool", "contact", "cable", "rim", "height")}
    return Answers(**{**full, "height_sigma": blank, **parts})


def boxes(*where: tuple[slice, slice], value: float = 0.95) -> np.ndarray:
    out = np.zeros(SHAPE, np.float32)
    for place in where:
        out[place] = value
    return out


def numbered(answers: Answers) -> tuple[np.ndarray, frozenset[int]]:
    return part_instances(answers, np.ones(SHAPE, bool), 1.0)[:2]


TWO = boxes(np.s_[40:80, 40:140], np.s_[80:120, 40:140])


def test_sure_contact_parts_touching_tools() -> None:
    labels, cables = numbered(maps(tool=TWO, contact=boxes(np.s_[77:83, 36:144], value=0.9)))
    assert labels.max() == 2
    assert len(np.unique(labels[50, 60:120])) == 1
    assert labels[50, 80] != labels[110, 80]
    assert (labels[TWO > 0.5] > 0).all()
    assert not cables


def test_doubtful_contact_does_not() -> None:
    labels, _ = numbered(maps(tool=TWO, contact=boxes(np.s_[79:81, 36:144], value=0.3)))
    assert labels.max() == 1


def test_pieces_joined_along_faint_cells_become_one_tool() -> None:
    tool = boxes(np.s_[40:60, 40:100], np.s_[40:60, 112:200])
    apart, _ = numbered(maps(tool=tool))
    assert apart.max() == 2
    tool[46:54, 100:112] = 0.4  # a neck the model hardly sees
    joined, _ = numbered(maps(tool=tool))
    assert joined.max() == 1
    assert (joined[50, 45:195] == 1).all()


def test_touching_tools_are_not_joined_round_the_back() -> None:
    tool = np.maximum(TWO, boxes(np.s_[36:124, 36:144], value=0.3))
    labels, _ = numbered(maps(tool=tool, contact=boxes(np.s_[77:83, 30:150], value=0.9)))
    assert labels.max() == 2


def test_what_is_nowhere_sure_is_dropped() -> None:
    labels, _ = numbered(maps(tool=boxes(np.s_[40:80, 40:140], value=0.64)))
    assert labels.max() == 0


def test_long_cable_is_told_and_short_hose_stays_with_its_tool() -> None:
    tool = boxes(np.s_[40:80, 40:100])
    cord = boxes(np.s_[57:63, 100:330])
    labels, cables = numbered(maps(tool=tool, cable=cord))
    assert cables == {int(labels[60, 300])}
    assert labels[60, 70] not in cables
    hose = boxes(np.s_[57:63, 100:160])
    labels, cables = numbered(maps(tool=tool, cable=hose))
    assert not cables
    assert labels[60, 70] == labels[60, 150] > 0


def test_edge_height_is_read_just_outside_whichever_way_the_ring_runs() -> None:
    height = np.full(SHAPE, 0.9, np.float32)
    height[40:80, 40:140] = 0.1  # inside the tool: never to be read
    raster = Raster(0.0, 159.0, 1.0, SHAPE)
    cells = np.array([[39.5, 60.0], [60.0, 79.5], [139.5, 60.0], [60.0, 39.5]])
    ring = raster.to_sheet(cells)
    for one in (ring, ring[::-1]):
        share, sigma = edge_heights(maps(height=height), raster, one)
        np.testing.assert_allclose(share, 0.9, atol=1e-6)
        assert (sigma == 0).all()


def test_unsure_edge_height_is_told_with_its_deviation() -> None:
    ring = np.array([[40.0, 40.0], [140.0, 40.0], [140.0, 80.0], [40.0, 80.0]])
    unsure = maps(
        height=np.full(SHAPE, 0.3, np.float32), height_sigma=np.full(SHAPE, 0.4, np.float32)
    )
    share, sigma = edge_heights(unsure, Raster(0.0, 159.0, 1.0, SHAPE), ring)
    np.testing.assert_allclose(share, 0.3, atol=1e-6)
    np.testing.assert_allclose(sigma, 0.4, atol=1e-6)
