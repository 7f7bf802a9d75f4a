"""The overlay shows what was measured, where OpenCV says that it must appear."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import cv2
import numpy as np
import pytest
import shapely
from PIL import Image
from shapely.geometry import Point, Polygon, box
from shapely.geometry.polygon import orient

from tracer.model.calibration import Calibration, CardFit, SigmaMap
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Segmentation, Silhouette
from tracer.model.view import View
from tracer.pictures import overlay
from tracer.pictures.doubts import doubtful_places
from tracer.pictures.overlay import lay_box_px, overlay_bytes, overlay_pixels
from tracer.pictures.palette import AMBER, LEFT_OUT, TINTS

GREY = 120
SIDE = np.array([14.0, 0.0])  # past a corner's dot, within its arrow
K = np.array([[2000.0, 0, 999.5], [0, 2000.0, 749.5], [0, 0, 1]])
DIST = np.array([-0.08, 0.02, 1e-3, -5e-4, 0.0])
R = cv2.Rodrigues(np.array([np.pi - 0.08, 0.05, 0.02]))[0]
VIEW = View("photo", (2000, 1500), K, DIST, R, -R @ np.array([150.0, 90.0, 900.0]))
CARDS = {1: box(-120, -60, 48, 52), 2: box(260, 150, 428, 262)}


def outline(number: int, region: Polygon, **changes) -> Outline:
    ring = np.full(len(region.exterior.coords) - 1, 0.4)
    return replace(
        Outline(
            f"T{number:02d}",
            f"tool {number}",
            orient(region),
            20.0,
            HeightSource.TYPED,
            EdgeModel.MID,
            0.4,
            ring,
            0.0,
            0.9,
            ("photo",),
            (0.0, 0.0),
        ),
        **changes,
    )


def calibration(**changes) -> Calibration:
    fits = []
    for number, board in CARDS.items():
        corners = VIEW.to_photo(np.array(board.exterior.coords[:-1]))
        residuals = np.tile([[0.2, 0.0]], (4, 1))
        fits.append(
            CardFit(
                number,
                (168.0, 112.0),
                (0, 0, 0),
                number != 2,
                "",
                {"photo": corners},
                {"photo": residuals},
                board,
                board.buffer(8),
            )
        )
    hull = shapely.convex_hull(shapely.union_all(list(CARDS.values())))
    grid = SigmaMap(np.array([-500.0, 500]), np.array([-500.0, 500]), np.full((2, 2), 0.1))
    return replace(Calibration((VIEW,), tuple(fits), hull, grid, {}, 0.1, 0.2, 0.2), **changes)


def photo(size=(2000, 1500)) -> Photo:
    return Photo("photo", "bench.jpg", np.full((size[1], size[0], 3), GREY, np.uint8), 26.0)


RING = Point(150, 60).buffer(40).difference(Point(150, 60).buffer(20))
BAR = box(60, 160, 230, 185)
SEEN = Silhouette(
    "S01", "photo", orient(BAR.segmentize(1.0)), np.empty(0), 0.9, np.empty(0), np.empty(0)
)


def draw(outlines, silhouettes=(), **changes) -> np.ndarray:
    found = Segmentation("photo", tuple(silhouettes))
    return overlay_pixels(photo(), VIEW, found, outlines, calibration(**changes))


def nearest(pixels: np.ndarray, colour, at, reach: int = 3) -> float:
    """Largest channel difference to a colour, at the best pixel near a place."""
    x, y = np.round(at).astype(int)
    part = pixels[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(int)
    return float(np.abs(part - np.array(colour)).max(axis=2).min())


def projected(points_mm) -> np.ndarray:
    """Canvas places by OpenCV's own projection; pixel centres scale about (-0.5, -0.5)."""
    solid = np.column_stack([points_mm, np.zeros(len(points_mm))])
    px = cv2.projectPoints(solid, cv2.Rodrigues(R)[0], VIEW.t, K, DIST)[0].reshape(-1, 2)
    x0, y0, x1, y1 = lay_box_px((2000, 1500), VIEW, [], calibration())
    return (px - (x0, y0) + 0.5) * (2400 / max(x1 - x0, y1 - y0)) - 0.5


def test_outlines_lie_where_opencv_projects_them() -> None:
    pixels = draw([outline(1, RING), outline(2, BAR)])
    assert pixels.shape[1] == 2400
    x0, y0, x1, y1 = lay_box_px((2000, 1500), VIEW, [], calibration())
    assert pixels.shape[0] > 2400 * (y1 - y0) / (x1 - x0)  # the lay, and a footer
    for index, region in enumerate((RING, BAR)):
        points = projected(np.array(region.exterior.coords)[::7])
        hits = [nearest(pixels, TINTS[index], p) < 12 for p in points]
        assert np.mean(hits) > 0.8  # a label may cover some of it
    off = [
        nearest(pixels, TINTS[1], p + np.array([0, 25]))
        for p in projected([[80, 160], [120, 160.0]])
    ]
    assert min(off) > 40


def test_hole_stays_clear() -> None:
    # the area is washed with a fifth of the tint at most, a hole not at all
    middle, rim = projected([[150, 60], [150 + 30, 60.0]]).astype(int)
    pixels = draw([outline(1, RING, name="T01")])
    bare = draw([])
    assert np.array_equal(pixels[middle[1], middle[0]], bare[middle[1], middle[0]])
    assert not np.array_equal(pixels[rim[1], rim[0]], bare[rim[1], rim[0]])


def test_weak_edges_are_marked() -> None:
    ring = orient(BAR.segmentize(1.0))
    count = len(ring.exterior.coords) - 1
    confidence = np.ones(count)
    confidence[:40] = 0.2  # passes the start of the ring
    confidence[-10:] = 0.2
    weak = replace(SEEN, edge_confidence=confidence)
    start = projected(np.array(ring.exterior.coords)[:1])[0]

    def amber(silhouette: Silhouette) -> bool:
        return nearest(draw([], [silhouette]), AMBER, start, 12) < 12

    assert amber(weak)
    assert not amber(replace(SEEN, edge_confidence=np.ones(count)))


def test_a_part_in_doubt_is_ringed() -> None:
    place = (150.0, 172.0)
    told = Check("outline-doubtful", Severity.WARN, "In doubt.", where_mm=place)
    found = Segmentation("photo", (SEEN,), (told,))
    pixels = overlay_pixels(photo(), VIEW, found, [], calibration())
    right = projected([place])[0] + np.array([32.0, 0.0])
    assert nearest(pixels, AMBER, right, 4) < 12
    assert nearest(draw([], [SEEN]), AMBER, right, 4) > 60


def test_a_place_that_a_lay_s_finding_tells_is_ringed_numbered_and_shown_larger() -> None:
    place = (150.0, 172.0)
    told = Check(
        "outline-doubtful", Severity.WARN, "In doubt.", subject_id="T01", value=0.8, where_mm=place
    )
    found, outlines = Segmentation("photo", (SEEN,)), [outline(1, BAR)]
    lines = photo()
    lines.pixels[:, ::40] = 255  # 40 px apart, so that the magnification shows
    plain = overlay_pixels(lines, VIEW, found, outlines, calibration())
    shown = overlay_pixels(lines, VIEW, found, outlines, calibration(), [told])
    right = projected([place])[0] + np.array([32.0, 0.0])
    assert nearest(shown, AMBER, right, 4) < 12
    assert nearest(plain, AMBER, right, 4) > 60
    # the strip below: 90 mm of the sheet over a third of the picture's width
    strip = shown[plain.shape[0] - 230 : shown.shape[0] - 230, 36 : 36 + 760]
    assert strip.shape[0] > 450
    row = strip[strip.shape[0] // 4].astype(int).min(axis=1)
    peaks = np.flatnonzero((row[1:-1] > 200) & (row[1:-1] >= row[:-2]) & (row[1:-1] > row[2:]))
    apart = float(np.median(np.diff(peaks)))
    mm_per_px = float(VIEW.mm_per_px(np.array([place]))[0])
    assert apart == pytest.approx(40 * 760 * mm_per_px / 90, rel=0.03)


def test_places_are_shown_by_how_grave_they_are() -> None:
    doubtful = [
        Check("outline-doubtful", Severity.WARN, "", subject_id=f"T0{k}", value=v, where_mm=(k, 0))
        for k, v in ((1, 0.4), (2, 0.9), (3, 0.6))
    ]
    gone = Check("something-left-out", Severity.WARN, "", where_mm=(50.0, 0.0))
    again = replace(doubtful[1], where_mm=(2.0, 0.5))  # one place, told twice
    elsewhere = Check("edge-faint", Severity.NOTE, "", where_mm=(9.0, 9.0))
    places = doubtful_places([*doubtful, again, gone, elsewhere], [outline(2, BAR)])
    assert [p.where_mm[0] for p in places] == [50.0, 2.0, 3.0, 1.0]
    assert [p.number for p in places] == [1, 2, 3, 0]
    assert places[1].words == "T02 tool 2: in doubt, 90%"


def test_what_lies_past_the_sheet_is_shaded_and_the_sheet_is_not() -> None:
    inside, outside = projected([[150.0, 60.0], [150.0, 250.0]]).astype(int)
    rim = box(-300, -200, 600, 400).difference(box(-200, -100, 500, 200))
    found = Segmentation("photo", (), (), (rim,))
    plain, shown = draw([]), overlay_pixels(photo(), VIEW, found, [], calibration())
    assert np.array_equal(plain[inside[1], inside[0]], shown[inside[1], inside[0]])
    assert not np.array_equal(plain[outside[1], outside[0]], shown[outside[1], outside[0]])


def test_card_left_out_is_told_apart() -> None:
    used, left_out = projected([[-120 + 60, -60], [260 + 60, 150.0]])  # on their lower sides
    assert nearest(draw([]), LEFT_OUT, left_out) < 12
    assert nearest(draw([]), LEFT_OUT, used) > 40


def test_residuals_point_the_way_they_go() -> None:
    # 0.2 px to the right, 100 times longer at most (26 px over 0.2 px times 1.2): 24 px
    corner = projected(np.array(CARDS[1].exterior.coords)[:1])[0]
    pixels = draw([])
    assert nearest(pixels, AMBER, corner + SIDE, 2) < 30
    assert nearest(pixels, AMBER, corner - SIDE, 2) > 60


@pytest.mark.parametrize("size", [(900, 1200), (2000, 1500), (320, 240)])
def test_any_size_gives_a_readable_jpeg(size) -> None:
    view = replace(VIEW, size_px=size)
    data = overlay_bytes(
        photo(size), view, Segmentation("photo", ()), [outline(1, BAR)], calibration()
    )
    with Image.open(BytesIO(data)) as picture:
        picture.load()
        assert picture.format == "JPEG"
        assert max(picture.size) >= 2400


def test_awkward_names_and_unknown_heights_are_drawn() -> None:
    odd = outline(
        1,
        BAR,
        name="Ölkännchen\n\t" + "x" * 300,
        height_source=HeightSource.ASSUMED,
        height_mm=0.0,
    )
    assert not np.array_equal(draw([odd]), draw([]))


def test_outline_out_of_sight_is_left_out() -> None:
    far = outline(1, box(5000, 5000, 5100, 5050))
    assert np.array_equal(draw([far]), draw([]))


@pytest.mark.parametrize("where", [(300.0, 120.0), (5000.0, 120.0)], ids=["within", "beyond"])
def test_an_arrow_leads_to_where_one_more_photo_helps(where) -> None:
    """Amber appears along the way from the cards' middle, and at its end or the picture's rim."""
    advice = Check("further-photo", Severity.NOTE, "One more photo.", where_mm=where)
    found = Segmentation("p", ())
    plain = overlay_pixels(photo(), VIEW, found, [], calibration())
    shown = overlay_pixels(photo(), VIEW, found, [], calibration(), [advice])
    rows, cols = np.nonzero((plain != shown).any(axis=2))
    middle = calibration().hull_mm.centroid
    start, end = projected([(middle.x, middle.y), where])
    reach = np.hypot(cols - start[0], rows - start[1]).max()
    inside = (end >= 0).all() and (end < [shown.shape[1], shown.shape[0]]).all()
    assert len(rows) > 300
    if inside:
        assert reach == pytest.approx(np.hypot(*(end - start)), abs=30)
    else:
        assert cols.max() > shown.shape[1] - 40


def test_the_lay_is_shown_and_not_the_bench() -> None:
    """A photo from far away is cropped to cards and tools; all of them are in the picture."""
    x0, y0, x1, y1 = lay_box_px((2000, 1500), VIEW, [outline(1, BAR)], calibration())
    corners = np.vstack([np.array(c.exterior.coords) for c in CARDS.values()])
    solid = np.column_stack([corners[:, :2], np.zeros(len(corners))])
    px = cv2.projectPoints(solid, cv2.Rodrigues(R)[0], VIEW.t, K, DIST)[0].reshape(-1, 2)
    seen = px[((px >= 0) & (px < (2000, 1500))).all(axis=1)]
    assert ((seen >= (x0, y0)) & (seen < (x1, y1))).all()
    far = replace(VIEW, t=VIEW.t * 2.5)
    a0, b0, a1, b1 = lay_box_px((2000, 1500), far, [outline(1, BAR)], calibration())
    assert (a1 - a0) * (b1 - b0) < 0.5 * 2000 * 1500
    assert lay_box_px((2000, 1500), VIEW, [], calibration(cards=())) == (0, 0, 2000, 1500)


def test_a_height_has_no_more_digits_than_it_deserves() -> None:
    text, _ = overlay._details(replace(outline(1, BAR), height_mm=31.2422))
    assert text.startswith("31.2 mm high")
    assert overlay._details(replace(outline(1, BAR), height_mm=12.0))[0].startswith("12 mm")
