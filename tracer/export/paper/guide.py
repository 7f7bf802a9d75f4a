"""The page for a hand: in what order, how deep, in how many layers, and how a well lies.

It stands behind the map of the template's pages. Everything on it is read off the drawing of the
walls; names and contrast pieces come from whoever knows them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry import LineString, Point, Polygon

from tracer.geometry.loops import polygon_of
from tracer.model.drawing import Drawing, Operation

__all__ = ["BLADE_CAUTIONS", "Guide", "Place", "guide_pages", "places", "section_of"]

_FONT = "DejaVuSans"
_TYPE_PT, _LINE_MM = 9.0, 4.4
_MARGIN_MM = 12.0
#: depth of a slice where the foam does not peel: what one pass of a scalpel takes
#: (common practice, no source)
_SLICE_MM = 3.0
#: of all places this share, the largest ones, is cut first
_FIRST_SHARE = 0.25
#: places in one row lie within this
_ROW_MM = 60.0
_SECTION_STEP_MM = 0.5

BLADE_CAUTIONS = (
    "A fresh blade for every panel; cut away from the body and from the holding hand.",
    "A cut-resistant glove on the holding hand does not stop a stab. Steel rule with a guard.",
    "Put the knife down closed; worn blades into a blade tin. Local rules come first.",
)


@dataclass(frozen=True)
class Guide:
    """What the drawing does not say: name by subject, contrast piece by subject, peel, thickness.

    ``peel_mm`` 0: the foam is cut in slices.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    inserts: Mapping[str, str] = field(default_factory=dict)
    peel_mm: float = 0.0
    thickness_mm: float = 30.0


@dataclass(frozen=True, eq=False)
class Place:
    """One pocket with its parts: operation and depth (None: right through), and the area."""

    subject_id: str
    parts: tuple[tuple[Operation, float | None, Polygon], ...]

    @property
    def middle(self) -> Point:
        """Where it lies."""
        return self.parts[0][2].centroid

    @property
    def area_mm2(self) -> float:
        """All of it."""
        return float(shapely.union_all([p for _, _, p in self.parts]).area)


_HOLES = {Operation.POCKET, Operation.THROUGH, Operation.WELL, Operation.NOTCH}


def places(drawing: Drawing) -> list[Place]:
    """Pockets in the order for a hand: the large ones from the middle out, then row by row.

    A large piece taken out first leaves the sheet lying flat; rows from above keep the hand off
    what is cut already (common practice, no source).
    """
    parts: dict[str, list[tuple[Operation, float | None, Polygon]]] = {}
    for path in drawing.paths:
        layer = path.layer
        if layer.operation in _HOLES and not path.island:
            shape = polygon_of(path.loop, 0.05)
            parts.setdefault(path.subject_id, []).append((layer.operation, layer.depth_mm, shape))
    order = [Operation.POCKET, Operation.THROUGH, Operation.WELL, Operation.NOTCH]
    found = [
        Place(owner, tuple(sorted(own, key=lambda p: order.index(p[0]))))
        for owner, own in parts.items()
    ]
    by_size = sorted(found, key=lambda p: -p.area_mm2)
    many = math.ceil(_FIRST_SHARE * len(found)) if len(found) > 3 else 0
    middle = Point(drawing.size_mm[0] / 2, drawing.size_mm[1] / 2)
    first = sorted(by_size[:many], key=lambda p: p.middle.distance(middle))
    rest = sorted(
        by_size[many:], key=lambda p: (-round(p.middle.y / _ROW_MM), p.middle.x, p.subject_id)
    )
    return [*first, *rest]


def layers_of(depth_mm: float, peel_mm: float) -> str:
    """How a depth is taken out.

    Examples
    --------
    >>> layers_of(12, 5), layers_of(10, 5), layers_of(12, 0)
    ('peel 2 x 5 mm, then 2 mm', 'peel 2 x 5 mm', '4 slices of 3 mm')
    """
    if peel_mm <= 0:
        count = math.ceil(depth_mm / _SLICE_MM - 1e-9)
        return f"{count} slices of {depth_mm / count:.3g} mm"
    count = int(depth_mm / peel_mm + 1e-9)
    rest = depth_mm - count * peel_mm
    text = f"peel {count} x {peel_mm:g} mm" if count else ""
    if rest > 0.05:
        text += f"{', then ' if text else 'slice of '}{rest:.3g} mm"
    return text


def section_of(
    place: Place, thickness_mm: float
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], LineString]:
    """The floor along a line through a place: (N, 2) of way and depth, and the line.

    The line runs through the middle of the pocket and of its deepest part.
    """
    main = place.parts[0][2]
    deepest = max(place.parts, key=lambda p: math.inf if p[1] is None else p[1])[2]
    a, b = main.centroid, deepest.representative_point()
    if a.distance(b) < 1.0:  # one over the other: along the pocket's long side
        corners = shapely.get_coordinates(shapely.oriented_envelope(main))
        one, other = corners[1] - corners[0], corners[2] - corners[1]
        dx, dy = (one if np.hypot(*one) >= np.hypot(*other) else other).tolist()
    else:
        dx, dy = b.x - a.x, b.y - a.y
    far = 2 * main.length / math.hypot(dx, dy)
    whole = LineString([(b.x - far * dx, b.y - far * dy), (b.x + far * dx, b.y + far * dy)])
    cut = whole.intersection(shapely.union_all([p for _, _, p in place.parts]).buffer(6.0))
    part = max(getattr(cut, "geoms", [cut]), key=lambda g: g.length)
    way = np.arange(0.0, part.length + _SECTION_STEP_MM, _SECTION_STEP_MM)
    points = shapely.line_interpolate_point(part, way)
    depth = np.zeros(len(way))
    for _, own, shape in place.parts:
        inside = shapely.contains(shape, points)
        depth[inside] = np.maximum(depth[inside], thickness_mm if own is None else own)
    return np.column_stack([way, depth]), part


def guide_pages(
    canvas: Canvas, drawing: Drawing, paper_mm: tuple[float, float], guide: Guide
) -> int:
    """Draw the pages; how many there are."""
    width, height = paper_mm
    room = width - 2 * _MARGIN_MM
    pages, y = 0, 0.0

    def begin() -> None:
        nonlocal pages, y
        if pages:
            canvas.showPage()
        pages += 1
        canvas.setPageSize((width * mm, height * mm))
        y = height - 16.0
        canvas.setFont(_FONT, 13)
        canvas.drawString(_MARGIN_MM * mm, y * mm, f"{drawing.title}: by hand")
        y -= 8.0

    def write(text: str, indent: float = 0.0, box: bool = False) -> None:
        nonlocal y
        lines = _wrapped(text, room - indent - (6.0 if box else 0.0))
        if y - _LINE_MM * len(lines) < _MARGIN_MM:
            begin()
        canvas.setFont(_FONT, _TYPE_PT)
        if box:
            canvas.setLineWidth(0.6)
            canvas.rect((_MARGIN_MM + indent) * mm, (y - 0.4) * mm, 3 * mm, 3 * mm)
        for line in lines:
            canvas.drawString((_MARGIN_MM + indent + (6.0 if box else 0.0)) * mm, y * mm, line)
            y -= _LINE_MM
        y -= 0.8

    begin()
    for caution in BLADE_CAUTIONS:
        write(f"! {caution}")
    write(
        "Lines: solid, cut right through. Dashed, score it first 2 to 3 mm deep all round, then "
        "down to the depth written inside, and lift the foam out. Cut along the inner edge of the "
        "line. Grey lines show the tool and are not cut."
    )
    y -= 2.0
    found = places(drawing)
    for number, place in enumerate(found, 1):
        write(f"{number}. {_line(place, guide)}", box=True)
    stepped = [p for p in found if len({depth for _, depth, _ in p.parts}) > 1]
    for place in stepped:
        profile, _ = section_of(place, guide.thickness_mm)
        scale = min(0.5, room / max(float(profile[-1, 0]), 1.0))
        tall = guide.thickness_mm * scale + 12.0
        if y - tall < _MARGIN_MM:
            begin()
        y -= 4.0
        _draw_section(canvas, profile, guide, (_MARGIN_MM, y), scale, _name(place, guide))
        y -= tall - 4.0
    write("")
    write("Cut on (date): ____________________     by (signature): ______________________________")
    canvas.showPage()
    return pages


def _name(place: Place, guide: Guide) -> str:
    ids = place.subject_id.split("+")
    return ", ".join(guide.names.get(i, i) for i in ids)


def _line(place: Place, guide: Guide) -> str:
    texts = []
    for operation, depth, _ in place.parts:
        what = "" if operation in (Operation.POCKET, Operation.THROUGH) else f"{operation.value} "
        if depth is None:
            texts.append(f"{what}right through")
        else:
            texts.append(f"{what}{depth:g} mm deep ({layers_of(depth, guide.peel_mm)})")
    insert = [guide.inserts[i] for i in place.subject_id.split("+") if i in guide.inserts]
    more = f"; floor: {insert[0]}, of the same outline" if insert else ""
    return f"{_name(place, guide)}: {'; '.join(dict.fromkeys(texts))}{more}"


def _draw_section(
    canvas: Canvas,
    profile: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    guide: Guide,
    at_mm: tuple[float, float],
    scale: float,
    name: str,
) -> None:
    """Foam in grey, seen from the side; the face is above."""
    x0, y0 = at_mm
    deep = guide.thickness_mm
    foam = canvas.beginPath()
    foam.moveTo(x0 * mm, (y0 - deep * scale) * mm)
    for way, depth in profile:
        foam.lineTo((x0 + way * scale) * mm, (y0 - depth * scale) * mm)
    foam.lineTo((x0 + profile[-1, 0] * scale) * mm, (y0 - deep * scale) * mm)
    foam.close()
    canvas.setFillGray(0.8)
    canvas.setLineWidth(0.4)
    canvas.drawPath(foam, stroke=1, fill=1)
    canvas.setFillGray(0)
    canvas.setFont(_FONT, _TYPE_PT)
    depths = sorted({round(float(d), 2) for d in profile[:, 1] if d > 0})
    said = " / ".join("through" if d >= deep - 1e-6 else f"{d:g} mm" for d in depths)
    text = f"Section of {name}: {said}; scale 1 : {1 / scale:.3g}"
    canvas.drawString(x0 * mm, (y0 - deep * scale - 4.0) * mm, text)


def _wrapped(text: str, width_mm: float) -> Sequence[str]:
    lines, line = [], ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if pdfmetrics.stringWidth(longer, _FONT, _TYPE_PT) > width_mm * mm and line:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]
