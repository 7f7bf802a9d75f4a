"""What reaches over a pocket's edge: made-up light on the cells around a pocket."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.inspection.test_looks import STEEL, camera_at, pocket_of, read_of
from tests.panel.bench import drawer, panel_of, plan, row_of_bars
from tracer.inspection.cells import Cells, cells_of
from tracer.inspection.overhang import OverEdge, over_edge
from tracer.model.panel import Panel

RED = (0.5, 0.03, 0.03)


@pytest.fixture(scope="module")
def panel() -> Panel:
    return panel_of(row_of_bars(3), plan(drawer(460, 320)))


@pytest.fixture(scope="module")
def cells(panel: Panel) -> Cells:
    return cells_of(panel, 1, camera_at(panel, 5.0))


def beside(panel: Panel, cells: Cells, along_mm: float, off_mm: float) -> NDArray[np.bool_]:
    """A stretch along the bar's left side, above the room for fingers, so far beyond its edge."""
    at = cells.points_mm().reshape(*cells.tool.shape, 2)
    x0, _, _, y1 = panel.pockets[1].region.bounds
    x, y = at[..., 0], at[..., 1]
    return np.asarray((y < y1 - 8) & (y > y1 - 8 - along_mm) & (x < x0 + 1) & (x > x0 - off_mm))


def said(panel: Panel, cells: Cells, *shown: tuple[NDArray[np.bool_], object]) -> OverEdge:
    full = (pocket_of(cells), STEEL)
    return over_edge(read_of(panel, cells, (full, *shown)), 0.05)  # type: ignore[arg-type]


def test_a_tool_on_the_face_reaches_over_the_edge_and_ends(panel: Panel, cells: Cells) -> None:
    assert said(panel, cells) is OverEdge.NOT
    assert said(panel, cells, (beside(panel, cells, 25, 5), STEEL)) is OverEdge.ENDS
    # longer than its pocket by far
    assert said(panel, cells, (beside(panel, cells, 25, 15), STEEL)) is OverEdge.GOES_ON


def test_what_is_as_thin_as_an_error_of_the_camera_or_short_is_none(
    panel: Panel, cells: Cells
) -> None:
    assert said(panel, cells, (beside(panel, cells, 25, 1.9), STEEL)) is OverEdge.NOT
    assert said(panel, cells, (beside(panel, cells, 8, 5), STEEL)) is OverEdge.NOT


def test_a_cable_of_another_colour_is_no_part_of_the_tool(panel: Panel, cells: Cells) -> None:
    rows = np.arange(cells.tool.shape[0])[:, None]
    across = np.broadcast_to(np.abs(rows - 0.75 * len(rows)) < 7, cells.tool.shape)
    assert said(panel, cells, (across, RED)) is OverEdge.NOT
    assert said(panel, cells, (across, STEEL)) is OverEdge.GOES_ON


def test_shade_beside_a_tool_is_none(panel: Panel, cells: Cells) -> None:
    face = np.exp(read_of(panel, cells, ()).face_log[0, 0])
    assert said(panel, cells, (beside(panel, cells, 40, 8), 0.4 * face)) is OverEdge.NOT
