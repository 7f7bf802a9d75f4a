"""What touches is parted where a contact runs along a neck, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.segmentation.decide.touching import part_touching

SHAPE = (120, 200)
ROWS, COLS = np.mgrid[: SHAPE[0], : SHAPE[1]]


def disc(x: float, y: float, radius: float) -> np.ndarray:
    return (COLS - x) ** 2 + (ROWS - y) ** 2 < radius**2


COINS = disc(60, 60, 22) | disc(102, 60, 22)
BAND = np.where(abs(COLS - 81) < 3, 0.8, 0.0).astype(np.float32)


def count(mask: np.ndarray, contact: np.ndarray) -> int:
    pieces, labels = part_touching(mask, contact, 1.0)
    assert ((pieces > 0) == mask).all()
    assert pieces.max() < labels
    return len(np.unique(pieces)) - 1


def test_two_coins_with_a_contact_between_are_two() -> None:
    pieces, _ = part_touching(COINS, BAND, 1.0)
    assert count(COINS, BAND) == 2
    left = pieces[60, 60]
    assert (pieces == left).sum() == pytest.approx(COINS.sum() / 2, rel=0.03)


def test_without_a_contact_a_neck_alone_parts_nothing() -> None:
    assert count(COINS, np.zeros(SHAPE, np.float32)) == 1


def test_a_contact_beside_the_neck_parts_nothing() -> None:
    beside = np.where(COINS, 0, 0.9).astype(np.float32)
    assert count(COINS, beside) == 1


def test_a_knob_stays_with_its_body() -> None:
    body = (abs(COLS - 100) < 60) & (abs(ROWS - 70) < 40)
    knob = (abs(COLS - 100) < 12) & (abs(ROWS - 20) < 14)
    band = np.where(abs(ROWS - 31) < 3, 0.8, 0.0).astype(np.float32)
    assert count(body | knob, band) == 1


HANDLE, BLADE = (COLS < 110) & (abs(ROWS - 60) < 14), (COLS >= 110) & (abs(ROWS - 60) < 11)
JOINT = np.where(abs(COLS - 110) < 2, 1.0, 0.0).astype(np.float32)


@pytest.mark.parametrize("likely", [0.5, 0.7, 0.8])
def test_a_handle_stays_with_its_blade(likely: float) -> None:
    """A joint of two materials, right across: the model half takes it for contact."""
    tool = (HANDLE | BLADE) & (abs(COLS - 100) < 80)
    assert count(tool, likely * JOINT) == 1


def test_two_bars_end_to_end_are_two_where_the_contact_is_sure() -> None:
    bars = (HANDLE | BLADE) & (abs(COLS - 100) < 80)
    assert count(bars, JOINT) == 2


@pytest.mark.parametrize(("likely", "things"), [(0.6, 1), (0.8, 2)])
def test_tools_that_touch_along_a_part_of_their_width_are_two(likely: float, things: int) -> None:
    """As the two drivers of a rendered lay: 0.84 along two fifths of the width."""
    second = (COLS >= 110) & (COLS < 180) & (abs(ROWS - 76) < 11)
    tools = (HANDLE & (COLS > 30)) | second
    assert count(tools, likely * JOINT) == things


def test_what_ground_lies_between_is_never_one() -> None:
    near = disc(60, 60, 22) | disc(106, 60, 22)  # 2 mm apart
    assert count(near, np.zeros(SHAPE, np.float32)) == 2


@pytest.mark.parametrize(("likely", "things"), [(0.68, 1), (0.76, 2)])
def test_bars_side_by_side_are_parted_along_their_contact(likely: float, things: int) -> None:
    """On rendered lays 0.76 and more between tools, 0.68 along the foot of a jigsaw."""
    bars = (abs(COLS - 100) < 80) & (abs(ROWS - 60) < 16)
    band = np.where(abs(ROWS - 60) < 1.5, likely, 0.0).astype(np.float32)
    assert count(bars, band) == things


@pytest.mark.parametrize(("likely", "things"), [(0.76, 1), (0.95, 2)])
def test_a_neck_of_few_cells_needs_a_sure_contact(likely: float, things: int) -> None:
    """0.76 along three cells within a rendered tool, 0.95 and more between coins."""
    two = (disc(60, 60, 22) | disc(104, 60, 22)) & (abs(COLS - 82) > 1)
    neck = (abs(COLS - 82) <= 2) & (abs(ROWS - 60) < 2)
    contact = np.where(abs(COLS - 82) < 3, likely, 0.0).astype(np.float32)
    assert count(two | neck, contact) == things
