"""The panel's picture: colours where they belong, marks and words for checks."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.panel.bench import BASE, FACE, drawer, panel_of, plan, row_of_bars
from tracer.model.panel import Panel
from tracer.model.panel_plan import ToolPlan
from tracer.model.report import Check, Severity
from tracer.pictures.panel import panel_png

RIM_MM = 12.0


@pytest.fixture(scope="module")
def panel() -> Panel:
    typed = (ToolPlan("T01", through=True), ToolPlan("T02", depth_mm=20.0, insert=False))
    return panel_of(row_of_bars(3), plan(drawer(), tools=typed, labels=False))


def opened(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)))


def colour_at(picture: np.ndarray, panel: Panel, x: float, y: float) -> tuple[int, ...]:
    scale = 1600 / (max(panel.size_mm) + 2 * RIM_MM)
    row = round((panel.size_mm[1] + RIM_MM - y) * scale)
    return tuple(int(v) for v in picture[row, round((x + RIM_MM) * scale)])


def test_floors_have_the_colour_that_will_show(panel: Panel) -> None:
    picture = opened(panel_png(panel))
    for pocket, expected in zip(panel.pockets, (BASE.rgb, None, BASE.rgb), strict=True):
        x0, _, x1, y1 = pocket.region.bounds
        seen = colour_at(picture, panel, (x0 + x1) / 2, y1 - 12)
        assert (seen == expected) if expected else (seen not in (BASE.rgb, FACE.rgb))
    assert colour_at(picture, panel, 5, 5) == FACE.rgb
    assert colour_at(picture, panel, -6, -6) == (255, 255, 255)


def test_checks_are_marked_and_written(panel: Panel) -> None:
    plain = opened(panel_png(panel))
    check = Check("web-thin", Severity.FAIL, "Too thin here.", where_mm=(30.0, 30.0))
    marked = opened(panel_png(panel, [check]))
    assert marked.shape[0] > plain.shape[0] and marked.shape[1] == plain.shape[1]
    same = np.all(marked[: plain.shape[0]] == plain, axis=2)
    rows, columns = np.nonzero(~same)
    scale = 1600 / (max(panel.size_mm) + 2 * RIM_MM)
    # only round the place, within the mark's radius of 11 px and its line
    assert np.ptp(rows) < 30 and np.ptp(columns) < 30
    assert columns.mean() == pytest.approx((30 + RIM_MM) * scale, abs=2)
    far = replace(check, where_mm=(900.0, -50.0))
    opened(panel_png(panel, [far]))
