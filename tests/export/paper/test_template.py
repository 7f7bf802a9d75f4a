"""The paper template, measured by a PDF reader (pypdfium2)."""

from __future__ import annotations

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from tests.export.drawings import cut_drawing
from tracer.errors import TracerError, UsageError
from tracer.export.paper.template import PrinterScale, Template, template_pdf, tile_lines
from tracer.export.paper.tiles import OVERLAP_MM, PAPERS_MM, tile_grid
from tracer.export.paper.verify_template import page_paths_mm, verify_template
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation


def square_sheet(x: float = 30.0) -> Drawing:
    """A sheet of 150 x 100 mm with one square of 40 mm."""
    edge = CutPath(Loop.rectangle(0, 0, 150, 100), Layer(Operation.SHEET_EDGE))
    square = CutPath(Loop.rectangle(x, 20, 40, 40), Layer(Operation.THROUGH))
    return Drawing("Square", (150, 100), (square, edge))


def page_paths(template: Template, number: int) -> list[np.ndarray]:
    return page_paths_mm(pdfium.PdfDocument(template.data)[number])


def test_bars_measure_100_mm_in_both_directions() -> None:
    for number in range(1, len(template_pdf(cut_drawing()).pages)):
        spans = [np.ptp(p, axis=0) for p in page_paths(template_pdf(cut_drawing()), number)]
        for bar in ((100.0, 0.0), (0.0, 100.0)):
            assert min(np.abs(s - bar).max() for s in spans) < 1e-3


def test_a_square_measures_what_it_should() -> None:
    spans = [np.ptp(p, axis=0) for p in page_paths(template_pdf(square_sheet()), 1)]
    assert min(np.abs(s - 40).max() for s in spans) < 1e-3
    assert min(np.abs(s - [150, 100]).max() for s in spans) < 1e-3


def test_the_printers_own_error_is_taken_out_per_axis() -> None:
    # bars came out 99.5 and 100.4: what is printed with this file measures 40.00 again
    printer = PrinterScale(99.5, 100.4)
    spans = [
        np.ptp(p, axis=0) for p in page_paths(template_pdf(square_sheet(), printer=printer), 1)
    ]
    printed = [s * [0.995, 1.004] for s in spans]
    assert min(np.abs(s - 40).max() for s in printed) < 1e-3
    assert min(np.abs(s - [100, 0]).max() for s in printed) < 1e-3


def test_viewers_are_told_not_to_scale() -> None:
    # ISO 32000-1, 12.2: PrintScaling None; 0 in the reader's interface
    doc = pdfium.PdfDocument(template_pdf(square_sheet()).data)
    assert raw.FPDF_VIEWERREF_GetPrintScaling(doc) == 0


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pages_have_the_papers_size(paper: str) -> None:
    # ISO 216 and ANSI/ASME Y14.1
    template = template_pdf(cut_drawing(), paper=paper)
    doc = pdfium.PdfDocument(template.data)
    for page in doc:
        size = sorted(v * 25.4 / 72 for v in page.get_size())
        assert size == pytest.approx(sorted(PAPERS_MM[paper]), abs=0.01)


def test_the_same_bytes_every_time() -> None:
    assert template_pdf(cut_drawing()).data == template_pdf(cut_drawing()).data


@settings(deadline=None, max_examples=30)
@given(st.tuples(st.floats(40, 1300), st.floats(40, 900)), st.sampled_from(list(PAPERS_MM)))
def test_tiles_cover_the_sheet_and_overlap(size: tuple[float, float], paper: str) -> None:
    grid = tile_grid(size, [box(10, 10, 30, 30)], paper)
    assert len(grid.tiles) == grid.rows * grid.columns
    assert len({tile.name for tile in grid.tiles}) == len(grid.tiles)
    for axis in (0, 1):
        lows = sorted({round(t.window_mm[axis], 6) for t in grid.tiles})
        highs = sorted({round(t.window_mm[axis + 2], 6) for t in grid.tiles})
        assert lows[0] <= 1e-6
        assert highs[-1] >= size[axis] - 1e-6
        for high, low in zip(highs, lows[1:], strict=False):
            assert high - low == pytest.approx(OVERLAP_MM, abs=1e-5)
    # a cross belongs to at least two pages, or there is nothing to lay on one another
    for tile in grid.tiles:
        for x, y in grid.crosses(tile):
            holders = [
                t for t in grid.tiles
                if t.window_mm[0] <= x <= t.window_mm[2] and t.window_mm[1] <= y <= t.window_mm[3]
            ]  # fmt: skip
            assert len(holders) >= 2


def test_seams_avoid_small_tools_where_they_can() -> None:
    # a sheet with room to shift: the tool in the middle is left whole
    size = (250.0, 150.0)
    tool = box(118, 60, 140, 90)
    grid = tile_grid(size, [tool])
    whole = [t for t in grid.tiles if box(*t.window_mm).contains(tool)]
    assert whole


def test_every_piece_of_the_drawing_is_on_some_page() -> None:
    drawing = cut_drawing()
    template = template_pdf(drawing)
    for tile in template.grid.tiles:
        if tile.empty:
            assert tile_lines(drawing, tile) == []


def test_read_back_passes_and_finds_damage() -> None:
    drawing = cut_drawing()
    template = template_pdf(drawing)
    assert verify_template(template, drawing) == len(template.pages)
    moved = square_sheet(30.5)
    with pytest.raises(TracerError) as caught:
        verify_template(template_pdf(square_sheet(30.0)), moved)
    assert caught.value.slug == "file-differs-from-drawing"
    other = Template(template.data, template.grid, PrinterScale(99.0, 100.0))
    with pytest.raises(TracerError, match="bar in x"):
        verify_template(other, drawing)
    free = Template(
        template.data.replace(b"/PrintScaling /None", b"/PrintScalinG /None"),
        template.grid,
        template.printer,
    )
    assert free.data != template.data
    with pytest.raises(TracerError, match="scale"):
        verify_template(free, drawing)


@pytest.mark.parametrize("measured", [(86.0, 86.0), (100.0, 112.0), (100.0, float("nan"))])
def test_fit_to_page_is_recognised(measured: tuple[float, float]) -> None:
    # reports of 12 to 16 % errors from "fit to page" are common
    with pytest.raises(UsageError) as caught:
        PrinterScale(*measured)
    assert caught.value.slug == "printer-scale-wrong"


def test_an_unknown_paper_is_said() -> None:
    with pytest.raises(UsageError, match="a4"):
        tile_grid((100, 100), [], "b7")


@pytest.mark.parametrize(("width", "pages"), [(610.0, 1), (297.0, 1), (200.0, 2)])
def test_a_roll_is_as_long_as_the_sheet(width: float, pages: int) -> None:
    drawing = cut_drawing()  # 520 x 240 mm
    template = template_pdf(drawing, paper=f"roll-{width:g}")
    assert len(template.pages) - 1 == pages
    document = pdfium.PdfDocument(template.data)
    for page in document:
        assert width in [pytest.approx(v * 25.4 / 72, abs=0.01) for v in page.get_size()]
    assert verify_template(template, drawing) == pages + 1


def test_a_sizes_halve_into_one_another() -> None:
    """ISO 216: each is half the one before, to the whole millimetre below."""
    for large, small in (("a0", "a1"), ("a1", "a2"), ("a2", "a3"), ("a3", "a4")):
        w, h = PAPERS_MM[large]
        assert PAPERS_MM[small] == (float(h // 2), w)
