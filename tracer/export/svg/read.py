"""Reading SVG files: paths, basic shapes and transforms, in millimetres with y up.

References
----------
W3C, Scalable Vector Graphics (SVG) 1.1, second edition: 7 coordinate systems and units, 8 paths,
9 basic shapes, F.6 arc implementation notes.
"""

from __future__ import annotations

import math
import re
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np
from fontTools.pens.basePen import AbstractPen
from fontTools.svgLib.path import parse_path
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.export.reading.curves import ReadCurve, ReadFile, without_repeat
from tracer.export.reading.limits import Budget, too_large
from tracer.geometry.sound import MOST_CORNERS
from tracer.ranges import COUNTS, shown

__all__ = ["read_svg"]

Array = NDArray[np.float64]
Matrix = NDArray[np.float64]

#: CSS: 96 px to the inch, 72 pt, 6 pc
_UNIT_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "in": 25.4,
    "px": 25.4 / 96,
    "": 25.4 / 96,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
}
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_SKIPPED = {"defs", "clipPath", "mask", "marker", "pattern", "symbol", "metadata", "style", "title"}
_SKIPPED |= {"desc", "namedview", "script", "linearGradient", "radialGradient"}
_POINTS_PER_CURVE = 64
#: letters of a length; steps of one transform
_LONGEST, _MOST_STEPS = 100, 200
#: bounded at every part: the time that an expression takes must not grow with the square
_STEP = re.compile(r"\b([a-zA-Z]{4,9})\s{0,9}\(([^)]{0,400})\)")
_DEEPEST = int(COUNTS["elements of a drawing within one another"].high)


class _Unclear(ValueError):
    """What a person can mend in a path; the text completes "A path cannot be understood: "."""


def _length_mm(text: str | None) -> float | None:
    match = re.fullmatch(rf"\s*({_NUMBER})\s*([a-z]*)\s*", (text or "")[:_LONGEST])
    if not match or match[2] not in _UNIT_MM:
        return None
    return float(match[1]) * _UNIT_MM[match[2]]


def _transform(text: str | None) -> Matrix:
    """(3, 3) matrix of a transform attribute (SVG 1.1, 7.6)."""
    total = np.eye(3)
    steps = _STEP.findall(text or "")
    if len(steps) > _MOST_STEPS:
        raise _Unclear(f"it is moved and turned in {len(steps)} steps, more than {_MOST_STEPS}")
    for name, body in steps:
        v = [float(n) for n in re.findall(_NUMBER, body)]
        m = np.eye(3)
        if name == "matrix" and len(v) == 6:
            m[:2] = np.array(v).reshape(3, 2).T
        elif name == "translate" and v:
            m[:2, 2] = v[0], v[1] if len(v) > 1 else 0.0
        elif name == "scale" and v:
            m[0, 0], m[1, 1] = v[0], v[-1]
        elif name == "rotate" and v:
            c, s = math.cos(math.radians(v[0])), math.sin(math.radians(v[0]))
            m[:2, :2] = [[c, -s], [s, c]]
            if len(v) == 3:
                m[:2, 2] = np.array(v[1:]) - m[:2, :2] @ np.array(v[1:])
        elif name == "skewX" and v:
            m[0, 1] = math.tan(math.radians(v[0]))
        elif name == "skewY" and v:
            m[1, 0] = math.tan(math.radians(v[0]))
        total = total @ m
    return total


def _arc(start: Array, rx: float, ry: float, turn: float, large: bool, sweep: bool, end: Array):  # type: ignore[no-untyped-def]
    """Points after ``start`` on an elliptical arc (SVG 1.1, F.6.5, end point to centre form)."""
    rx, ry = abs(rx), abs(ry)
    if rx == 0 or ry == 0 or np.allclose(start, end, atol=1e-12):
        return np.asarray([end])
    c, s = math.cos(turn), math.sin(turn)
    frame = np.array([[c, s], [-s, c]])
    x, y = frame @ (start - end) / 2
    if not math.isfinite(x + y + rx + ry):
        raise _Unclear("numbers of an arc are too large")
    excess = (x / rx) ** 2 + (y / ry) ** 2
    if excess > 1:
        rx, ry = rx * math.sqrt(excess), ry * math.sqrt(excess)
        excess = 1.0
    root = math.sqrt(max(1 / excess - 1, 0.0)) * (-1 if large == sweep else 1)
    centre_local = root * np.array([rx * y / ry, -ry * x / rx])
    centre = frame.T @ centre_local + (start + end) / 2
    first = math.atan2((y - centre_local[1]) / ry, (x - centre_local[0]) / rx)
    last = math.atan2((-y - centre_local[1]) / ry, (-x - centre_local[0]) / rx)
    span = last - first
    if sweep and span < 0:
        span += 2 * math.pi
    elif not sweep and span > 0:
        span -= 2 * math.pi
    # chords of angle a stand off by r a^2 / 8: a thousandth of a unit, never coarser than 3 deg
    n = max(math.ceil(abs(span) * max(math.sqrt(max(rx, ry) / 0.008), 20.0)), 2)
    if n > MOST_CORNERS:
        raise too_large(f"An arc has a radius of {max(rx, ry):.3g} units")
    t = first + span * np.arange(1, n + 1) / n
    if not np.isfinite(centre).all():
        raise _Unclear("numbers of an arc are too large")
    points = np.column_stack([rx * np.cos(t), ry * np.sin(t)]) @ frame + centre
    points[-1] = end
    return points


class _PointPen(AbstractPen):
    """Collects the sub-paths of a path as dense points."""

    def __init__(self, budget: Budget) -> None:
        self.done: list[tuple[Array, bool]] = []
        self._parts: list[Array] = []
        self._budget = budget

    def _add(self, points: Array) -> None:
        self._budget.corners(len(points))
        self._parts.append(points)

    @property
    def _here(self) -> Array:
        return np.asarray(self._parts[-1][-1])

    def moveTo(self, pt: tuple[float, float]) -> None:
        self._parts = []
        self._add(np.array([pt], np.float64))

    def lineTo(self, pt: tuple[float, float]) -> None:
        self._add(np.array([pt], np.float64))

    def curveTo(self, *points: tuple[float, float]) -> None:
        self._bezier(points)

    def qCurveTo(self, *points: tuple[float, float] | None) -> None:
        self._bezier([p for p in points if p is not None])

    def arcTo(
        self, rx: float, ry: float, turn_deg: float, large: bool, sweep: bool, pt: complex
    ) -> None:
        end = np.array([pt.real, pt.imag] if isinstance(pt, complex) else pt, np.float64)
        turn = math.radians(turn_deg)
        self._add(_arc(self._here, rx, ry, turn, bool(large), bool(sweep), end))

    def _bezier(self, points) -> None:  # type: ignore[no-untyped-def]
        nodes = np.vstack([self._here, np.array(points, np.float64)])
        t = np.linspace(0, 1, _POINTS_PER_CURVE + 1)[1:, None]
        degree = len(nodes) - 1
        weights = [math.comb(degree, i) * (1 - t) ** (degree - i) * t**i for i in range(degree + 1)]
        self._add(np.asarray(sum(w * n for w, n in zip(weights, nodes, strict=True))))

    def _finish(self, closed: bool) -> None:
        if self._parts:
            self.done.append((np.vstack(self._parts), closed))
        self._parts = []

    def closePath(self) -> None:
        self._finish(True)

    def endPath(self) -> None:
        self._finish(False)


def _numbers(element: ElementTree.Element, *names: str) -> list[float]:
    values = []
    for name in names:
        match = re.match(_NUMBER, element.get(name, "0").strip())
        values.append(float(match[0]) if match else 0.0)
    return values


def _shape(element: ElementTree.Element, kind: str, budget: Budget) -> list[tuple[Array, bool]]:
    """Sub-paths of one element in its own coordinates, each with whether it is closed."""
    if kind == "path":
        pen = _PointPen(budget)
        parse_path(element.get("d", ""), pen)  # type: ignore[no-untyped-call]
        return pen.done
    if kind == "rect":
        x, y, w, h = _numbers(element, "x", "y", "width", "height")
        return [(np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]), True)]
    if kind in {"circle", "ellipse"}:
        cx, cy = _numbers(element, "cx", "cy")
        rx, ry = _numbers(element, *(("r", "r") if kind == "circle" else ("rx", "ry")))
        t = np.linspace(0, 2 * math.pi, 4 * _POINTS_PER_CURVE, endpoint=False)
        return [(np.column_stack([cx + rx * np.cos(t), cy + ry * np.sin(t)]), True)]
    if kind == "line":
        return [(np.array(_numbers(element, "x1", "y1", "x2", "y2")).reshape(2, 2), False)]
    points = np.array([float(n) for n in re.findall(_NUMBER, element.get("points", ""))])
    return [(points[: len(points) // 2 * 2].reshape(-1, 2), kind == "polygon")]


#: beyond it numbers lose what tells them apart; what merely lies far out is told by the budget
_LARGEST = 1e15
#: millimetres per unit of a page, or units per millimetre
_COARSEST = 1e9
_SHAPES = {"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}


def _hidden(element: ElementTree.Element) -> bool:
    style = element.get("style", "").replace(" ", "")
    return element.get("display") == "none" or "display:none" in style


def _walk(
    element: ElementTree.Element,
    matrix: Matrix,
    layer: str,
    curves: list[ReadCurve],
    others: dict[str, int],
    budget: Budget,
) -> None:
    """Curves of an element and of those within it, which are `_DEEPEST` deep at most."""
    kind = str(element.tag).rpartition("}")[2]
    if kind in _SKIPPED or _hidden(element) or not isinstance(element.tag, str):
        return
    matrix = matrix @ _transform(element.get("transform"))
    if kind == "g":
        layer = element.get("class") or element.get("id") or layer
    if kind in _SHAPES:
        with np.errstate(all="ignore"):
            shapes = [
                (points, points @ matrix[:2, :2].T + matrix[:2, 2], closed)
                for points, closed in _shape(element, kind, budget)
            ]
        for points, placed, closed in shapes:
            # neither may be: huge numbers may come out small, and lose what told them apart
            if not all((np.abs(values) < _LARGEST).all() for values in (points, placed)):
                raise _Unclear(f"numbers of a {kind} are too large")
            points, meets = without_repeat(points)
            placed = placed[: len(points)]
            if kind != "path":  # the pen has counted those
                budget.corners(len(points))
            budget.curve(placed, f"A {kind}")
            if len(points):
                gaps = np.hypot(*np.diff(placed, axis=0).T) if len(placed) > 1 else np.empty(0)
                curves.append(ReadCurve(layer, kind, placed, closed or meets, gaps))
    elif kind not in {"g", "svg", "a"}:
        others[kind] = others.get(kind, 0) + 1
    for child in element:
        _walk(child, matrix, layer, curves, others, budget)


def _name_of(element: ElementTree.Element) -> str:
    """An element's name without its space of names."""
    return str(element.tag).rpartition("}")[2]


def _not_svg(why: str, remedy: str) -> TracerError:
    return TracerError("not-an-svg-file", f"The file cannot be read as SVG: {why}.", remedy)


def _parsed(data: bytes, budget: Budget) -> ElementTree.Element:
    """The elements of an XML text, without its texts; counted while they are read.

    Entities that a file declares itself can stand for any length of text and for other files:
    a file with such declarations is refused at the first of them.
    """
    builder = ElementTree.TreeBuilder()
    parser = expat.ParserCreate(namespace_separator="}")
    depth = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        budget.object()
        if depth > _DEEPEST:
            raise too_large(
                f"Elements of the file lie within one another more than {_DEEPEST} deep"
            )
        builder.start(tag, attributes)

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag)

    def doctype(_: str, __: Any, ___: Any, declares: int) -> None:
        if declares:
            raise _not_svg(
                "it declares abbreviations of its own in its DOCTYPE, which are not opened",
                "Open and save it in a drawing program, as plain SVG.",
            )

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.Parse(data, True)
        return builder.close()
    except (expat.ExpatError, LookupError, ValueError, AssertionError):
        raise _not_svg(
            f"its text breaks off its form in line {parser.CurrentLineNumber}, at the "
            f"{parser.CurrentColumnNumber + 1}. sign",
            "Export it again; if it is a DXF or PDF file, give it its proper ending.",
        ) from None


def read_svg(data: bytes, *, ours: bool = False) -> ReadFile:
    """Everything drawn in an SVG file, in mm, the origin at the lower left of the page.

    ``ours`` lifts the limits for a file that was just written by this program.

    Raises
    ------
    TracerError
        When the bytes are no SVG file, one without any curve, or one of more elements, curves or
        corners than are read.
    """
    budget = Budget(for_any=not ours)
    root = _parsed(data, budget)
    if _name_of(root) != "svg":
        raise TracerError(
            "not-an-svg-file",
            f"The file is no drawing: its first element is {shown(_name_of(root))}, not 'svg'.",
            "Export it as SVG.",
        )
    box = [float(n) for n in re.findall(_NUMBER, root.get("viewBox", "")[: 4 * _LONGEST])]
    width, height = _length_mm(root.get("width")), _length_mm(root.get("height"))
    unit_known = bool(re.search(r"(mm|cm|in|pt|pc)\s*$", root.get("width", "")[:_LONGEST]))
    if len(box) != 4 or not np.isfinite(box).all() or box[2] <= 0 or box[3] <= 0:
        px = _UNIT_MM["px"]
        box = [0.0, 0.0, (width or 0.0) / px, (height or 0.0) / px]
    scale = _UNIT_MM["px"]
    if width and height and box[2] and box[3]:
        scale = min(width / box[2], height / box[3])
        if not 1 / _COARSEST < scale < _COARSEST:
            raise _not_svg(
                f"a page of {width:g} x {height:g} mm is said to be {box[2]:g} x {box[3]:g} units",
                "Export it again with its true size.",
            )
    flip = np.array(
        [[scale, 0, -box[0] * scale], [0, -scale, (box[1] + box[3]) * scale], [0, 0, 1.0]]
    )
    curves: list[ReadCurve] = []
    others: dict[str, int] = {}
    try:
        _walk(root, flip, "", curves, others, budget)
    except (ArithmeticError, ValueError, LookupError, TypeError, AttributeError) as error:
        why = str(error) if isinstance(error, _Unclear) else "its numbers make no shape"
        raise TracerError(
            "not-an-svg-file",
            f"A path in the SVG file cannot be understood: {why}.",
            "Open and save it in a drawing program, as plain SVG.",
        ) from None
    if not curves and not others:
        raise TracerError(
            "empty-drawing",
            "The file holds no curve at all.",
            "Check that the right sheet was exported, and that the file was copied completely.",
        )
    return ReadFile(
        mm_per_unit=1.0 if unit_known else None,
        version=f"SVG {root.get('version', '')}".strip(),
        curves=tuple(curves),
        others=others,
        sheet=(box[2] * scale, box[3] * scale),
    )
