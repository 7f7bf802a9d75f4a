"""SVG files against an independent reader (svgelements) and the writer's own contract."""

from __future__ import annotations

import io
import warnings
from xml.etree import ElementTree

import numpy as np
import pytest
from shapely.geometry import Polygon

from tests.export.drawings import cut_drawing, reference_drawing
from tracer.errors import TracerError
from tracer.export.svg.read import read_svg
from tracer.export.svg.write import svg_bytes
from tracer.geometry.loops import signed_area
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("make", [cut_drawing, reference_drawing])
def test_svgelements_agrees_on_sizes_and_areas(make: object) -> None:
    svgelements = pytest.importorskip("svgelements")
    drawing = make()  # type: ignore[operator]
    # 25.4 px to the inch: its lengths come out in mm
    root = svgelements.SVG.parse(io.BytesIO(svg_bytes(drawing)), ppi=25.4)
    shapes = [e for e in root.elements() if isinstance(e, svgelements.Path)]
    assert len(shapes) == len(drawing.paths)
    assert float(root.width) >= drawing.size_mm[0]
    for shape, path in zip(shapes, drawing.paths, strict=True):
        points = []
        for segment in shape:
            if isinstance(segment, svgelements.Move):
                continue
            points += [segment.point(t) for t in np.linspace(0, 1, 60, endpoint=False)]
        area = Polygon([(p.x, p.y) for p in points]).area
        # arcs in 60 chords: 2/3 sagitta share, below 0.1 % of a full circle; letters are exact
        assert area == pytest.approx(abs(signed_area(path.loop)), rel=2e-3, abs=0.01)


def test_one_unit_is_one_millimetre() -> None:
    root = ElementTree.fromstring(svg_bytes(cut_drawing()))
    assert root.get("width") == "520mm"
    assert root.get("height") == "240mm"
    assert root.get("viewBox") == "0 0 520 240"


def test_groups_are_layers_hairlines_and_unfilled() -> None:
    root = ElementTree.fromstring(svg_bytes(cut_drawing()))
    groups = root.findall(f"{SVG}g")
    assert {g.get("class") for g in groups} == {
        "pocket-12.0", "pocket-20.0", "through", "sheet-edge",
    }  # fmt: skip
    assert len({g.get("id") for g in groups}) == len(groups)
    assert all(g.get("fill") == "none" and float(g.get("stroke-width", 1)) <= 0.1 for g in groups)
    colours = {g.get("class"): g.get("stroke") for g in groups}
    assert len(set(colours.values())) == len(colours)


def test_y_is_turned_over_and_arcs_keep_their_side() -> None:
    # a bay to the right (bulge > 0) of a side that runs upwards lies at larger x
    loop = Loop(np.array([(20, 10, 1.0), (20, 30, 0), (5, 20, 0)]))
    drawing = Drawing("t", (50, 50), (CutPath(loop, Layer(Operation.THROUGH)),))
    points = read_svg(svg_bytes(drawing)).curves[0].points
    assert points[:, 0].max() == pytest.approx(30, abs=1e-3)
    assert points[:, 1].min() == pytest.approx(10, abs=1e-3)


@pytest.mark.parametrize(
    ("body", "size", "area"),
    [
        ('width="100mm" height="50mm" viewBox="0 0 200 100"', (10, 5), 50),
        ('width="4in" height="2in" viewBox="0 0 96 48"', (20 * 25.4 / 24, 10 * 25.4 / 24), None),
        ('viewBox="0 0 100 100"', (20 * 25.4 / 96, 10 * 25.4 / 96), None),
    ],
)
def test_units_and_view_boxes(body: str, size: tuple[float, float], area: float | None) -> None:
    # SVG 1.1, 7.10: 96 px to the inch where no unit is given (CSS)
    found = read_svg(
        f'<svg xmlns="http://www.w3.org/2000/svg" {body}><rect x="3" y="4" width="20" height="10"/>'
        "</svg>".encode()
    )
    points = found.curves[0].points
    assert np.ptp(points, axis=0) == pytest.approx(size)
    if area is not None:
        assert Polygon(points).area == pytest.approx(area)


def test_transforms_are_followed() -> None:
    svgelements = pytest.importorskip("svgelements")
    # arcs stand under turns and even scales only: the other reader bends them wrongly otherwise
    text = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" '
        'viewBox="0 0 200 200"><g transform="translate(30 40) rotate(30)">'
        '<path transform="scale(2 1) skewX(10)" d="M0 0h20C20 30 5 25 0 20z"/>'
        '<path transform="scale(1.5) rotate(20 5 5)" d="M20 0a10 5 20 0 1 6 9z"/>'
        '<ellipse cx="40" cy="9" rx="8" ry="3"/></g></svg>'
    )
    found = read_svg(text.encode())
    root = svgelements.SVG.parse(io.StringIO(text), ppi=25.4)
    shapes = [e.segments() for e in root.elements() if isinstance(e, svgelements.Shape)]
    for curve, shape in zip(found.curves, shapes, strict=True):
        points = [seg.point(t) for seg in shape for t in np.linspace(0, 1, 200)]
        other = np.array([(p.x, 200 - p.y) for p in points if p is not None])
        assert curve.points.min(axis=0) == pytest.approx(other.min(axis=0), abs=0.01)
        assert curve.points.max(axis=0) == pytest.approx(other.max(axis=0), abs=0.01)


@pytest.mark.parametrize(
    ("data", "slug"),
    [
        (b"<svg", "not-an-svg-file"),
        (b"<html/>", "not-an-svg-file"),
        (b'<svg xmlns="http://www.w3.org/2000/svg"/>', "empty-drawing"),
        (b'<svg xmlns="http://www.w3.org/2000/svg"><path d="M0 0 L x"/></svg>', "not-an-svg-file"),
    ],
)
def test_what_is_no_drawing_is_said(data: bytes, slug: str) -> None:
    with pytest.raises(TracerError) as caught:
        read_svg(data)
    assert caught.value.slug == slug


@pytest.mark.parametrize(
    "drawn",
    [
        '<rect x="0" y="99999999999999999999999999999999999999999" width="5" height="1e400"/>',
        '<circle cx="0" cy="1e308" r="1e308"/>',
        '<g transform="scale(1e-200)"><rect width="1e205" height="1e205"/></g>',
        '<polygon points="0,0 1e18,0 0,5"/>',
    ],
)
def test_numbers_beyond_any_sheet_are_refused_without_a_warning(drawn: str) -> None:
    page = f'<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm">{drawn}</svg>'
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(TracerError) as caught:
            read_svg(page.encode())
    assert caught.value.slug == "not-an-svg-file" and "too large" in caught.value.sentence


@pytest.mark.parametrize("height", ["1e-320", "1e-15", "1e30mm"])
def test_a_page_of_no_possible_size_is_refused(height: str) -> None:
    page = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{height}" height="{height}" '
        'viewBox="0 0 100 100"><rect width="5" height="5"/></svg>'
    )
    with pytest.raises(TracerError) as caught:
        read_svg(page.encode())
    assert "100 x 100 units" in caught.value.sentence
