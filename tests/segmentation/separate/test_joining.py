"""Pieces of one tool, on masks whose right answer is plain geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tracer.geometry.closed_rings import signed_area
from tracer.segmentation.edge.contours import mask_rings
from tracer.segmentation.separate.joining import grown_back, joined_pieces
from tracer.segmentation.separate.tools import Marks, _adopted, separate
from tracer.segmentation.working_picture.evidence import RegionEvidence, decision_doubt
from tracer.segmentation.working_picture.options import SegmentOptions
from tracer.segmentation.working_picture.raster import Raster


def bar(width: int, gap: int) -> np.ndarray:
    """A bar along the rows, 120 cells long, with a gap in the middle."""
    cells = np.zeros((60, 160), np.bool_)
    cells[20 : 20 + width, 20:140] = True
    cells[:, 80 - gap // 2 : 80 + (gap + 1) // 2] = False
    return cells


def pieces(cells: np.ndarray) -> int:
    return cv2.connectedComponents(cells.astype(np.uint8), connectivity=4)[0] - 1


@pytest.mark.parametrize("width", [4, 10, 20])
@pytest.mark.parametrize("gap", [1, 6, 15])
def test_a_gap_is_closed_as_wide_as_the_ends(width: int, gap: int) -> None:
    cells = bar(width, gap)
    joined = joined_pieces(cells, np.ones_like(cells), 1.0)
    assert pieces(joined) == 1
    assert not (cells & ~joined).any()
    # the true bar, and two cells all round for the line's own rounding
    whole = cv2.dilate(bar(width, 0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    assert not (joined & ~whole).any()
    assert joined[:, 80].sum() >= width - 3


def test_a_wide_gap_and_another_tool_between_stay() -> None:
    far = bar(10, 40)
    assert np.array_equal(joined_pieces(far, np.ones_like(far), 1.0), far)
    near = bar(10, 10)
    free = np.ones_like(near)
    free[:, 79:81] = False
    assert np.array_equal(joined_pieces(near, free, 1.0), near)


def test_specks_are_not_tied_to_the_tool() -> None:
    cells = bar(10, 0)
    cells[40:43, 60:63] = True
    assert np.array_equal(joined_pieces(cells, np.ones_like(cells), 1.0), cells)


def test_only_possible_cells_grow_back() -> None:
    whole, bitten = bar(16, 0), bar(16, 0)
    bitten[20:26, 60:65] = False
    grown = grown_back(bitten, np.where(whole, 0.3, 0.0).astype(np.float32), 1.0)
    # a disc does not reach into the corners of the bite's mouth
    assert grown[20:26, 60:65].sum() >= 0.7 * 30
    assert not (grown & ~whole).any()
    assert np.array_equal(grown_back(bitten, np.zeros(whole.shape, np.float32), 1.0), bitten)


def test_likelihood_places_the_ring_between_cells() -> None:
    # a disc of radius 12.3 cells, each cell as likely as the share of it that is covered
    y, x = np.mgrid[0:40, 0:40] - 19.5
    likely = np.clip(12.3 - np.hypot(x, y) + 0.5, 0, 1).astype(np.float32)
    raster = Raster(0.0, 0.0, 1.0, (40, 40))
    with_it = mask_rings(likely > 0.5, (0, 0), raster, likely)[0]
    without = mask_rings(likely > 0.5, (0, 0), raster)[0]
    exact = np.pi * 12.3**2

    def roughness(ring: np.ndarray) -> float:
        return float(np.std(np.linalg.norm(ring - ring.mean(axis=0), axis=1)))

    assert abs(signed_area(with_it) - exact) < 0.02 * exact
    assert roughness(with_it) < roughness(without)


@pytest.mark.parametrize("blur", [1.5, 2.5])
def test_doubt_is_the_blur_of_the_border(blur: float) -> None:
    step = np.zeros((80, 80), np.float32)
    step[:, 40:] = 1
    tool = np.asarray(cv2.GaussianBlur(step, (0, 0), blur), np.float32)
    none = np.zeros(tool.shape, np.bool_)
    evidence = RegionEvidence(
        Raster(0.0, 0.0, 1.0, tool.shape), tool, np.zeros_like(tool), ~none, none
    )
    found = decision_doubt(evidence)(np.array([[39.5, -40.0], [39.5, -30.0]]))
    # the definition: deviation of the step's Gaussian, a third of a cell of rounding allowed
    assert found == pytest.approx([blur, blur], abs=0.34)


def _parted(share: float, marked: tuple[tuple[float, float], ...]) -> list[float]:
    """Areas of the tools found where a bar is parted across at ``share`` of its length."""
    labels = np.zeros((60, 140), np.int32)
    labels[20:40, 20:120] = 1
    labels[20:40, 120 - round(100 * share) : 120] = 2
    tool = (labels > 0).astype(np.float32)
    evidence = RegionEvidence(
        Raster(0.0, 0.0, 1.0, labels.shape),
        tool,
        np.zeros_like(tool),
        np.ones(labels.shape, np.bool_),
        np.zeros(labels.shape, np.bool_),
        labels,
    )
    marks = Marks(keep=tuple(np.array([p]) for p in marked))
    seen = np.ones(labels.shape, np.bool_)
    blobs, _ = separate(evidence, hull=None, seen=seen, options=SegmentOptions(), marks=marks)
    return sorted(float(b.cells.sum()) for b in blobs)


@pytest.mark.parametrize(
    ("share", "marked", "wanted"),
    [
        (0.2, (), [400, 1600]),  # nobody said which tools there are
        (0.2, ((40.0, 30.0),), [2000]),
        (0.2, ((40.0, 30.0), (110.0, 30.0)), [400, 1600]),  # both are named
        (0.4, ((40.0, 30.0),), [800, 1200]),  # too large for a part of its neighbour
    ],
)
def test_a_small_unmarked_piece_belongs_to_the_marked_tool_beside_it(
    share: float, marked: tuple[tuple[float, float], ...], wanted: list[float]
) -> None:
    assert _parted(share, marked) == wanted


def test_a_piece_that_touches_at_a_corner_stays_apart() -> None:
    labels = np.zeros((80, 140), np.int32)
    labels[20:40, 20:100] = 1
    labels[40:60, 98:118] = 2  # two cells of contact
    boxes = np.array([[0, 0, 0, 0, 0], [20, 20, 80, 20, 1600], [98, 40, 20, 20, 400]], np.int32)
    assert (_adopted(labels, boxes, {1}, frozenset(), 1.0) == labels).all()
