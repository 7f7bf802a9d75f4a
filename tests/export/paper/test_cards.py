"""The printed cards, read back by an independent PDF reader and by OpenCV's own board."""

from __future__ import annotations

import ctypes

import cv2
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from numpy.typing import NDArray

from tracer.calibration.detect import Detection, detect_cards
from tracer.errors import TracerError, UsageError
from tracer.export.paper.cards import PAPERS_MM, cards_pdf
from tracer.model.card import CARD_COUNT, CardSizes, inner_corners_card_mm, mat_places
from tracer.model.card_codes import marker_cells

POINT_MM = 25.4 / 72
DPI = 200
FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def filled_boxes_mm(page: pypdfium2.PdfPage) -> NDArray[np.float64]:
    """Bounding boxes (N, 4) of the filled paths of a page, mm."""
    boxes = []
    for thing in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH]):
        mode, stroke = ctypes.c_int(), ctypes.c_int()
        pdfium.FPDFPath_GetDrawMode(thing.raw, mode, stroke)
        if mode.value != pdfium.FPDF_FILLMODE_NONE:
            boxes.append([v * POINT_MM for v in thing.get_bounds()])
    return np.array(boxes)


def grey_page(data: bytes, page: int = 0) -> NDArray[np.uint8]:
    picture = pypdfium2.PdfDocument(data)[page].render(scale=DPI / 72, grayscale=True)
    return np.ascontiguousarray(picture.to_numpy().reshape(picture.height, -1)[:, : picture.width])


def px_per_mm(data: bytes) -> NDArray[np.float64]:
    """Scale (2,) of `grey_page`: the page is stretched to whole pixels."""
    page_mm = np.array(pypdfium2.PdfDocument(data)[0].get_size()) * POINT_MM
    return np.array(grey_page(data).shape[::-1]) / page_mm


def seen(data: bytes, page: int = 0) -> Detection:
    return detect_cards(grey_page(data, page), "page", 3000.0)


def test_marker_codes_are_the_published_family() -> None:
    # OpenCV's copy of AprilTag 36h11, drawn one pixel a cell
    for marker in range(12 * CARD_COUNT):
        drawn = FAMILY.generateImageMarker(marker, 8, borderBits=1)
        assert np.array_equal(marker_cells(marker), drawn == 0)


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_board_measures_168_by_112(paper: str) -> None:
    data = cards_pdf(numbers=[3, 41], paper=paper)
    document = pypdfium2.PdfDocument(data)
    assert len(document) == 1
    page = document[0]
    assert np.allclose(np.array(page.get_size()) * POINT_MM, PAPERS_MM[paper], atol=0.01)
    boxes = filled_boxes_mm(page)
    squares = boxes[np.isclose(boxes[:, 2] - boxes[:, 0], 28.0, atol=0.01)]
    assert len(squares) == 24  # twelve black squares a card
    for card in (squares[:12], squares[12:]):
        width = card[:, 2].max() - card[:, 0].min()
        height = card[:, 3].max() - card[:, 1].min()
        # the reader rounds to 1e-3 point = 4e-4 mm at either end
        assert abs(width - 168.00) < 0.002
        assert abs(height - 112.00) < 0.002
    bars = boxes[np.isclose(boxes[:, 2] - boxes[:, 0], 100.0, atol=0.002)]
    assert len(bars) == 2
    # everything within 6 mm of the rim would be lost in most printers
    assert boxes.min() > 6 and np.all(boxes[:, 2:].max(axis=0) < np.array(PAPERS_MM[paper]) - 6)


def test_no_two_filled_shapes_share_an_edge() -> None:
    """Viewers leave hairlines between shapes that touch: each marker must be merged."""
    boxes = filled_boxes_mm(pypdfium2.PdfDocument(cards_pdf(numbers=[0], per_page=1))[0])
    markers = boxes[np.isclose(boxes[:, 2] - boxes[:, 0], 21.0, atol=0.01)]
    assert len(markers) == 12


def test_printing_is_not_scaled() -> None:
    document = pypdfium2.PdfDocument(cards_pdf(numbers=[0]))
    assert pdfium.FPDF_VIEWERREF_GetPrintScaling(document.raw) == 0


def test_same_bytes_every_time() -> None:
    assert cards_pdf(numbers=[1, 2, 3]) == cards_pdf(numbers=[1, 2, 3])


@pytest.mark.parametrize("first", [0, 22, 46])
def test_every_card_is_found_with_all_corners(first: int) -> None:
    data = cards_pdf(numbers=[first, first + 1])
    detection = seen(data)
    assert sorted(detection.cards) == [first, first + 1]
    scale = px_per_mm(data)
    for card in detection.cards.values():
        assert len(card.kept) == 15
        step = card.points_px - card.points_px[0]
        shape = (inner_corners_card_mm() - inner_corners_card_mm()[0]) * scale
        # the renderer places edges in steps of about 0.1 px at either end; 0.2 px are 0.03 mm
        assert np.abs(step - shape).max() < 0.25


def test_corners_agree_with_opencv_board() -> None:
    """OpenCV's own detector with its own board model finds the same ids at the same places."""
    grey = grey_page(cards_pdf(numbers=[5], per_page=1))
    board = cv2.aruco.CharucoBoard((6, 4), 28.0, 21.0, FAMILY, np.arange(60, 72))
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
    card = detect_cards(grey, "page", 3000.0).cards[5]
    assert sorted(np.ravel(ids)) == list(range(15))
    order = np.argsort(np.ravel(ids))
    assert np.abs(corners.reshape(-1, 2)[order] - card.points_px).max() < 0.3


def test_mat_lies_where_its_table_says() -> None:
    size = (900.0, 500.0)
    data = cards_pdf(mat_mm=size)
    detection = seen(data)
    places = mat_places(size)
    assert sorted(detection.cards) == sorted(places)
    scale = px_per_mm(data)
    for number, card in detection.cards.items():
        x, y, angle = places[number]
        assert angle == 0
        corner = inner_corners_card_mm()[card.kept]
        expected = np.column_stack([x + corner[:, 0], size[1] - (y + 112 - corner[:, 1])])
        assert np.abs(card.points_px + 0.5 - expected * scale).max() < 0.6


def test_refusals() -> None:
    with pytest.raises(UsageError, match="no card 48"):
        cards_pdf(numbers=[48])
    with pytest.raises(UsageError, match="Paper"):
        cards_pdf(paper="a3")
    with pytest.raises(UsageError):
        cards_pdf(per_page=3)
    with pytest.raises(UsageError):
        cards_pdf(numbers=[])
    with pytest.raises(TracerError, match="no room"):
        cards_pdf(mat_mm=(395, 300))


def test_sizes_typed_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(TracerError, match="cannot be right"):
        CardSizes((112.0, 168.0))
    with pytest.raises(TracerError, match="cannot be right"):
        CardSizes(None, {3: (100.0, 66.7)})
    assert CardSizes((163.0, 108.7), {2: (168.0, 112.0)}).of(2) == (168.0, 112.0)
