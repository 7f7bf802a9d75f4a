"""Curves of a drawing against each other and against the sheet: doubled, crossing, near the rim.

Every curve may lie over every other one, so the work can grow with the square of their number;
it ends where the examiner's patience does, and what was left out is said.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import Polygon

from tracer.export.reading.curves import ReadCurve
from tracer.export.reading.limits import word
from tracer.model.report import Check, Severity

__all__ = [
    "DOUBLE_MM",
    "Patience",
    "at",
    "doubled",
    "on",
    "overlaps",
    "place",
    "rim",
]

Array = NDArray[np.float64]

#: two curves nearer than this all along are one curve drawn twice: thinner than any cutter
DOUBLE_MM = 0.05
#: foam between a cut and the sheet's rim (common practice, no source: smallest feature 5 mm)
_RIM_MM = 5.0
#: findings of one kind that are looked for: a thousandth one helps nobody
_MOST_FINDINGS = 1_000


class Patience:
    """How long a drawing is examined. Asked between steps that are short by themselves."""

    def __init__(self, seconds: float) -> None:
        self._until = time.monotonic() + seconds
        self.left_out: dict[str, None] = {}

    def over(self, what: str) -> bool:
        """True from the end on; ``what`` is then among what was left out."""
        if time.monotonic() <= self._until:
            return False
        self.left_out[what] = None
        return True

    def checks(self) -> Iterator[Check]:
        """The finding that something was left out, if so."""
        if self.left_out:
            yield Check(
                slug="examined-in-part",
                severity=Severity.FAIL,
                sentence="The drawing is too intricate to be examined whole; left out: "
                f"{', '.join(self.left_out)}.",
                remedy="Delete what is drawn many times over, or split the drawing.",
            )


def at(point: Array) -> str:
    """A place as a sentence names it."""
    return f"({point[0]:.1f}, {point[1]:.1f})"


def place(point: Array) -> tuple[float, float]:
    """A place as a check holds it."""
    return float(point[0]), float(point[1])


def on(curve: ReadCurve) -> str:
    """Where in the file a curve is."""
    return f"on layer {word(curve.layer)}" if curve.layer else "in the file"


def doubled(
    curves: Sequence[ReadCurve],
    polygons: Sequence[Polygon],
    twice: set[int],
    patience: Patience,
) -> Iterator[Check]:
    """Curves drawn twice; their numbers are put into ``twice``."""
    bounds = shapely.bounds(np.array(polygons, object)).reshape(-1, 4)
    lengths, areas = shapely.length(polygons), shapely.area(polygons)
    tree = STRtree(polygons)
    for a, one in enumerate(polygons):
        if a in twice:
            continue
        if patience.over("curves drawn twice"):
            return
        near = tree.query(one)
        near = np.sort(near[near > a])
        alike = (np.abs(bounds[near] - bounds[a]) <= 2 * DOUBLE_MM).all(axis=1)
        alike &= np.abs(areas[near] - areas[a]) <= DOUBLE_MM * lengths[a]
        for b in near[alike].tolist():
            if b in twice or not _runs_along(one, polygons[b]):
                continue
            if patience.over("curves drawn twice"):
                return
            twice.add(b)
            if len(twice) <= _MOST_FINDINGS:
                first = curves[b].points[0]
                yield Check(
                    slug="curve-doubled",
                    severity=Severity.FAIL,
                    sentence=f"A curve {on(curves[b])} at {at(first)} is drawn twice.",
                    remedy="Delete one of the two; a laser would burn the line twice.",
                    value=_apart(one, polygons[b]),
                    limit=DOUBLE_MM,
                    unit="mm",
                    where_mm=place(first),
                )


def _runs_along(one: Polygon, other: Polygon) -> bool:
    """Whether all corners of either ring lie within `DOUBLE_MM` of the other ring."""
    for ring, line in ((one.exterior, other.exterior), (other.exterior, one.exterior)):
        shapely.prepare(line)
        corners = np.asarray(ring.coords)
        few = corners[:: max(len(corners) // 8, 1)]  # tells most apart that are not alike
        for some in (few, corners):
            if not np.all(shapely.dwithin(line, shapely.points(some), DOUBLE_MM)):
                return False
    return True


def _apart(one: Polygon, other: Polygon) -> float:
    """Largest distance (mm) from the corners of either ring, 200 of many, to the other ring."""
    largest = 0.0
    for ring, line in ((one.exterior, other.exterior), (other.exterior, one.exterior)):
        corners = np.asarray(ring.coords)
        some = corners[:: len(corners) // 200 + 1]
        largest = max(largest, float(np.max(shapely.distance(line, shapely.points(some)))))
    return largest


#: a layer that says how deep it is cut, as our files write it (R12 has no full stop)
_DEPTH_LAYER = re.compile(r".+-\d+[._]\d", re.IGNORECASE)


def _to_two_depths(one: ReadCurve, other: ReadCurve) -> bool:
    """Whether two curves are cut to different depths, so that one may run into the other.

    A finger notch opens into its pocket, a well lies across its pocket's wall: the machine clears
    the one and then the other.
    """
    deep = [bool(_DEPTH_LAYER.fullmatch(c.layer)) for c in (one, other)]
    return any(deep) and one.layer.lower() != other.layer.lower()


def overlaps(
    curves: Sequence[ReadCurve], polygons: Sequence[Polygon], patience: Patience
) -> Iterator[Check]:
    """Pairs of curves that run into one another."""
    told = 0
    # the larger one of a pair is prepared: what lies wholly inside or outside it is cheap to tell
    order = np.argsort([-p.area for p in polygons], kind="stable")
    sorted_ = np.array(polygons, object)[order]
    tree = STRtree(sorted_)
    for i, larger in enumerate(sorted_):
        if patience.over("curves that overlap"):
            return
        near = tree.query(larger)
        near = np.sort(near[near > i])
        if not len(near):
            continue
        shapely.prepare(larger)
        for k in range(0, len(near), 64):
            if patience.over("curves that overlap"):
                return
            part = near[k : k + 64]
            part = part[shapely.intersects(larger, sorted_[part])]
            for j in part[~shapely.covers(larger, sorted_[part])].tolist():
                if patience.over("curves that overlap"):
                    return
                smaller = sorted_[j]
                if not larger.overlaps(smaller):
                    continue
                if _to_two_depths(curves[int(order[i])], curves[int(order[j])]):
                    continue
                told += 1
                if told > _MOST_FINDINGS:
                    patience.left_out["further curves that overlap"] = None
                    return
                shared = larger.intersection(smaller)
                where = np.array(shared.representative_point().coords[0])
                pair = sorted((int(order[i]), int(order[j])))
                yield Check(
                    slug="curves-overlap",
                    severity=Severity.FAIL,
                    sentence=f"Two curves ({on(curves[pair[0]])} and {on(curves[pair[1]])}) run "
                    f"into one another at {at(where)}, {shared.area:.1f} mm2.",
                    remedy="Move them apart or unite them.",
                    value=float(shared.area),
                    limit=0.0,
                    unit="mm2",
                    where_mm=place(where),
                )


def rim(
    curves: Sequence[ReadCurve],
    polygons: Sequence[Polygon],
    page: tuple[float, float] | None,
    patience: Patience,
) -> Iterator[Check]:
    """Distance to the sheet's edge: a curve of that layer, or the page of an SVG file."""
    sheets = [i for i, c in enumerate(curves) if c.layer.lower().startswith("sheet-edge")]
    if not sheets:
        sheets = _holding_all(polygons)
    if sheets:
        sheet = polygons[sheets[0]]
    elif page is not None:
        sheet = Polygon([(0, 0), (page[0], 0), page, (0, page[1])])
    else:
        return
    shapely.prepare(sheet)
    edge = sheet.exterior
    shapely.prepare(edge)
    for i, polygon in enumerate(polygons):
        if i in sheets:
            continue
        if patience.over("the distance to the sheet's edge"):
            return
        if not sheet.covers(polygon):
            where = np.array(polygon.representative_point().coords[0])
            yield Check(
                slug="curve-outside-sheet",
                severity=Severity.FAIL,
                sentence=f"A curve {on(curves[i])} at {at(where)} reaches beyond the sheet.",
                remedy="Move it inside or take a larger sheet.",
                where_mm=place(where),
            )
            continue
        if not shapely.dwithin(edge, polygon, _RIM_MM):
            continue
        nearest = shapely.shortest_line(polygon, edge)  # as dear as the distance, which it tells
        distance = float(nearest.length)
        if distance < _RIM_MM:
            where = np.array(nearest.coords[0])
            yield Check(
                slug="curve-near-edge",
                severity=Severity.WARN,
                sentence=f"A curve {on(curves[i])} lies {distance:.1f} mm from the sheet's edge "
                f"at {at(where)}.",
                remedy=f"Leave at least {_RIM_MM:.0f} mm of foam.",
                value=distance,
                limit=_RIM_MM,
                unit="mm",
                where_mm=place(where),
            )


def _holding_all(polygons: Sequence[Polygon]) -> list[int]:
    """The number of the polygon that all others lie in, if there is one."""
    if len(polygons) < 2:
        return []
    bounds = shapely.bounds(np.array(polygons, object))
    whole = np.concatenate([bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)])
    reaching = np.flatnonzero((bounds == whole).all(axis=1))
    if not len(reaching):
        return []
    widest = max(reaching.tolist(), key=lambda i: polygons[i].area)
    others = np.array([p for i, p in enumerate(polygons) if i != widest], object)
    shapely.prepare(polygons[widest])
    return [widest] if bool(shapely.covers(polygons[widest], others).all()) else []
