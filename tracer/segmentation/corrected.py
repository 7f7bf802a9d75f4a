"""Corrections by hand, applied to what was found in a photo.

Inputs of the stage, never edits of its result: each run applies them anew to whatever it finds.
Lines and strokes come in pixels of the photo and are laid on the sheet by its map. Where a
correction set the edge, its uncertainty is that of a hand's or a snapped line; elsewhere the
measured one stays.

Order: split, merge, strokes, edges, cables, drop. Only the search for tools can follow points to
keep; here they hold against a drop: who names a tool that was dropped wants it back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import STRtree, make_valid
from shapely.geometry import LinearRing, LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.ops import nearest_points

from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.model.corrections import Corrections, Stroke
from tracer.model.corrections import Point as PhotoPoint
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Kind, Segmentation, Silhouette
from tracer.model.view import PlaneMap

__all__ = ["corrected", "ends_near"]

Array = NDArray[np.float64]

REACH_MM = 4.0  # a point beside a thin tool still means it
CUT_MM = 0.05  # width of the gap that a split leaves, far below any cutter
CRUMB_MM2 = 20.0  # pieces smaller than this are crumbs of a cut, not tools
KEPT_MM = 0.02  # a vertex this close to the old edge has not been touched
SNAPPED_PX = 0.7  # standard deviation of an edge drawn and snapped
PAINTED_PX = 2.5  # the same for a brush's rim: nobody paints to the pixel
DRAWN_CONFIDENCE = 0.9  # a person looked
PAINTED_CONFIDENCE = 0.6
STEP_MM = 1.5  # spacing of vertices on drawn edges
#: how far from the outline a line may end, as a part of its length: beyond, it is drawn beside
#: another thing or on the bare sheet, and would pull a spike out of the outline
FAR_PART = 0.35


@dataclass(frozen=True)
class _Hand:
    """How far a kind of correction may be trusted."""

    sigma_mm: float
    confidence: float


def corrected(found: Segmentation, corrections: Corrections, plane: PlaneMap) -> Segmentation:
    """What was found, with the corrections applied.

    A correction that meets nothing is told in a check and does no harm.
    """
    if not corrections:
        return found
    work = _Work(list(found.silhouettes), plane, found.photo_id)
    for line in corrections.split:
        work.split(line)
    for pair in corrections.merge:
        work.merge(pair)
    for stroke in corrections.strokes:
        work.paint(stroke)
    for edge in corrections.edges:
        work.pull(edge)
    for point in corrections.cables:
        work.each_at(point, "cable", lambda s: [replace(s, kind=Kind.CABLE)])
    wanted = work.named(corrections.keep)
    for point in corrections.drop:
        work.each_at(point, "drop", lambda s: [s] if any(s is w for w in wanted) else [])
    ordered = sorted(work.silhouettes, key=lambda s: (-s.region.bounds[3], s.region.bounds[0]))
    numbered = tuple(replace(s, silhouette_id=f"S{k:02d}") for k, s in enumerate(ordered, start=1))
    return replace(found, silhouettes=numbered, checks=(*found.checks, *work.checks))


def ends_near(ring: LinearRing, line: Array) -> bool:
    """Whether a drawn edge begins and ends beside the ring, all in mm.

    Its middle may lie as far off as a handle that was missed is long.
    """
    reach = max(3 * REACH_MM, FAR_PART * LineString(line).length)
    return all(ring.distance(Point(p)) <= reach for p in (line[0], line[-1]))


class _Work:
    """Silhouettes under correction."""

    def __init__(self, silhouettes: list[Silhouette], plane: PlaneMap, photo_id: str) -> None:
        self.silhouettes = silhouettes
        self.checks: list[Check] = []
        self._plane = plane
        self._photo_id = photo_id

    def split(self, line_px: tuple[PhotoPoint, PhotoPoint]) -> None:
        """Part what the line crosses; a line drawn a little too short is carried on."""
        line = LineString(self._sheet(line_px))
        if line.length == 0:
            return
        a, b = np.asarray(line.coords)
        along = (b - a) / line.length
        long = LineString([a - along * 500, b + along * 500])
        done = False
        for s in list(self.silhouettes):
            cut = s.region.intersection(long)
            parts = [p for p in getattr(cut, "geoms", [cut]) if p.distance(line) < 1e-6]
            rest: BaseGeometry = s.region
            for part in parts:
                if isinstance(part, LineString) and part.length > 0:
                    rest = rest.difference(part.buffer(CUT_MM / 2, cap_style="square"))
            pieces = _pieces(rest)
            if len(pieces) > 1:
                self._put(s, pieces, _Hand(self._mm(line_px[0]) * SNAPPED_PX, DRAWN_CONFIDENCE))
                done = True
        if not done:
            self._missed("split", line_px[0])

    def merge(self, pair_px: tuple[PhotoPoint, PhotoPoint]) -> None:
        """Two regions become one, with a bridge where they do not touch."""
        one, other = (self._at(p) for p in pair_px)
        if one is None or other is None or one is other:
            self._missed("merge", pair_px[0])
            return
        both: BaseGeometry = one.region.union(other.region)
        if not isinstance(both, Polygon):
            a, b = nearest_points(one.region, other.region)
            gap = a.distance(b)
            both = both.union(_seam(one.region, other.region, gap))
            # as wide as the narrower piece is deep behind the gap, but only between the two
            closed = both.buffer(gap + 1).buffer(-gap - 1)
            corridor = LineString([a, b]).buffer(4 * gap + 4)
            both = largest_polygon(both.union(closed.intersection(corridor)))
        self.silhouettes.remove(other)
        keeper = replace(one, touches_border=one.touches_border or other.touches_border)
        self.silhouettes[self.silhouettes.index(one)] = keeper
        hand = _Hand(self._mm(pair_px[0]) * PAINTED_PX, PAINTED_CONFIDENCE)
        self._put(keeper, [largest_polygon(both)], hand, also=[other])

    def paint(self, stroke: Stroke) -> None:
        """Add a brush stroke to the tool it covers most, or take it from all it covers."""
        area = self._painted(stroke)
        hand = _Hand(self._mm(stroke.line[0]) * PAINTED_PX, PAINTED_CONFIDENCE)
        touched = [s for s in self.silhouettes if s.region.intersects(area)]
        if stroke.add:
            if touched:
                most = max(touched, key=lambda s: s.region.intersection(area).area)
                self._put(most, [largest_polygon(most.region.union(area))], hand)
            else:
                self._new(area, hand)
        elif touched:
            for s in touched:
                self._put(s, _pieces(s.region.difference(area)), hand)
        else:
            self._missed("take", stroke.line[0])

    def pull(self, line_px: Sequence[PhotoPoint]) -> None:
        """Replace the stretch of edge beside the line by the line."""
        line = np.asarray(self._sheet(line_px))
        samples = [Point(p) for p in line]
        rings = [
            (float(np.mean([ring.distance(p) for p in samples])), k, r)
            for k, s in enumerate(self.silhouettes)
            for r, ring in enumerate([s.region.exterior, *s.region.interiors])
        ]
        distance, k, r = min(rings, default=(np.inf, 0, 0))
        length = LineString(line).length if len(line) > 1 else 0.0
        if not length or not distance < max(3 * REACH_MM, length):
            self._missed("edge", line_px[0])
            return
        s = self.silhouettes[k]
        shape_rings = [s.region.exterior, *s.region.interiors]
        if not ends_near(shape_rings[r], line):
            self._missed("edge", line_px[0])
            return
        shape_rings[r] = _rerouted(shape_rings[r], line)
        region = make_valid(Polygon(shape_rings[0]))
        for hole in shape_rings[1:]:
            region = region.difference(make_valid(Polygon(hole)))
        hand = _Hand(self._mm(line_px[0]) * SNAPPED_PX, DRAWN_CONFIDENCE)
        self._put(s, [largest_polygon(region)], hand)

    def each_at(
        self, point: PhotoPoint, what: str, act: Callable[[Silhouette], list[Silhouette]]
    ) -> None:
        """Replace the silhouette at a point."""
        s = self._at(point)
        if s is None:
            self._missed(what, point)
            return
        index = self.silhouettes.index(s)
        self.silhouettes[index : index + 1] = act(s)

    def named(self, points: Sequence[PhotoPoint]) -> list[Silhouette]:
        """The silhouettes at these points."""
        return [s for s in (self._at(p) for p in points) if s is not None]

    # -- places -------------------------------------------------------------------------------
    def _sheet(self, points_px: Sequence[PhotoPoint]) -> list[tuple[float, float]]:
        return [(float(x), float(y)) for x, y in self._plane.to_sheet(points_px)]

    def _mm(self, point: PhotoPoint) -> float:
        """Length of a pixel on the sheet at a place."""
        x, y = point
        p = self._plane.to_sheet([(x, y), (x + 1, y), (x, y + 1)])
        return float(np.mean(np.hypot(*(p[1:] - p[0]).T)))

    def _painted(self, stroke: Stroke) -> Polygon:
        """What the brush passed over, on the sheet."""
        body = (LineString(stroke.line) if len(stroke.line) > 1 else Point(stroke.line[0])).buffer(
            stroke.width_px / 2, quad_segs=8
        )
        ring = body.exterior.segmentize(max(stroke.width_px / 4, 2.0))
        holes = [self._sheet(_points(h)) for h in body.interiors]
        return largest_polygon(make_valid(Polygon(self._sheet(_points(ring)), holes)))

    def _at(self, point: PhotoPoint) -> Silhouette | None:
        """The smallest silhouette around a point (holes count as inside), else a near one."""
        at = Point(self._sheet([point])[0])
        near = [
            (Polygon(s.region.exterior).distance(at), s.region.area, k)
            for k, s in enumerate(self.silhouettes)
        ]
        best = min(near, default=None)
        return self.silhouettes[best[2]] if best is not None and best[0] <= REACH_MM else None

    # -- changes ------------------------------------------------------------------------------
    def _put(
        self,
        old: Silhouette,
        pieces: Sequence[Polygon],
        hand: _Hand,
        also: Sequence[Silhouette] = (),
    ) -> None:
        """Put new shapes in a silhouette's place."""
        index = self.silhouettes.index(old)
        new = [_reshaped(old, piece, hand, also) for piece in pieces]
        self.silhouettes[index : index + 1] = new

    def _new(self, area: Polygon, hand: _Hand) -> None:
        region = Polygon(area.exterior.segmentize(STEP_MM))
        n = len(region.exterior.coords) - 1
        self.silhouettes.append(
            Silhouette(
                silhouette_id="",
                photo_id=self._photo_id,
                region=orient(region),
                sigma_mm=np.full(n, hand.sigma_mm),
                confidence=hand.confidence,
                edge_confidence=np.full(n, hand.confidence),
                edge_height=np.empty(0),
            )
        )

    def _missed(self, what: str, point: PhotoPoint) -> None:
        x, y = point
        where = self._sheet([point])[0]
        self.checks.append(
            Check(
                "correction-without-effect",
                Severity.WARN,
                f"The correction '{what}' at ({x:.0f}, {y:.0f}) of the photo meets no tool.",
                "Withdraw it, or place it on the tool it is meant for.",
                where_mm=(round(where[0], 1), round(where[1], 1)),
            )
        )


def _seam(one: Polygon, other: Polygon, gap: float) -> BaseGeometry:
    """The slit between two regions that run side by side, as far as it is as narrow as ``gap``.

    A split leaves one along its whole line: joined at one place, the tool would keep it.
    """
    reach = gap + CUT_MM
    zone = one.buffer(reach).intersection(other.buffer(reach))
    closed = one.union(other).buffer(reach / 2).buffer(-reach / 2)
    return closed.intersection(zone)


def _pieces(shape: BaseGeometry) -> list[Polygon]:
    """Polygons that are more than crumbs; the largest in any case."""
    parts = [p for p in polygons_in(shape) if p.area > 0]
    large = [p for p in parts if p.area >= CRUMB_MM2]
    return large or sorted(parts, key=lambda p: -p.area)[:1]


def _points(ring: LinearRing) -> list[PhotoPoint]:
    return [(float(x), float(y)) for x, y, *_ in ring.coords]


def _rerouted(ring: LinearRing, line: Array) -> LinearRing:
    """The ring with the stretch beside the line replaced by the line."""
    total = ring.length
    start, end = (ring.project(Point(p)) for p in (line[0], line[-1]))
    forward = (end - start) % total
    ways = []
    for length, sign in ((forward, 1), (total - forward, -1)):
        at = (start + sign * np.linspace(0, length, 32)) % total
        stretch = np.asarray([ring.interpolate(t).coords[0] for t in at])
        # the stretch that the line runs beside is the one that goes; the other one stays
        away = float(np.mean([LineString(line).distance(Point(p)) for p in stretch]))
        ways.append((away, sign))
    _, sign = min(ways)
    coords = np.asarray(ring.coords)[:-1, :2]
    along = np.asarray([ring.project(Point(p)) for p in coords])
    gone = (sign * (along - start)) % total
    limit = forward if sign > 0 else total - forward
    kept = gone > limit
    rest = coords[kept][np.argsort(gone[kept])]  # from the line's end on to its start
    smooth = np.asarray(LineString(line).segmentize(STEP_MM).coords)
    points = np.vstack([smooth, rest])
    return LinearRing(points if sign > 0 else points[::-1])


def _reshaped(
    old: Silhouette, region: Polygon, hand: _Hand, also: Sequence[Silhouette]
) -> Silhouette:
    """A silhouette of a new shape; untouched vertices keep their figures."""
    region = orient(region)
    ring = np.asarray(region.exterior.coords)[:-1, :2]
    sources = [old, *also]
    points = np.vstack([np.asarray(s.region.exterior.coords)[:-1, :2] for s in sources])
    sigma = np.concatenate([s.sigma_mm for s in sources])
    confidence = np.concatenate([s.edge_confidence for s in sources])
    tree = STRtree([Point(p) for p in points])
    nearest = tree.nearest([Point(p) for p in ring])
    same = np.hypot(*(points[nearest] - ring).T) <= KEPT_MM

    def carried(figures: list[Array]) -> Array:
        """A learned model's figures; unknown along what the hand drew."""
        known = all(len(f) for f in figures)
        return np.where(same, np.concatenate(figures)[nearest], np.nan) if known else np.empty(0)

    return replace(
        old,
        region=region,
        sigma_mm=np.where(same, sigma[nearest], hand.sigma_mm),
        edge_confidence=np.where(same, confidence[nearest], hand.confidence),
        edge_height=carried([s.edge_height for s in sources]),
        edge_height_sigma=carried([s.edge_height_sigma for s in sources]),
        confidence=float(np.mean(np.where(same, confidence[nearest], hand.confidence))),
        holes_sigma_mm=_hole_sigmas(old, region, hand),
        doubt=None,  # a person looked
    )


def _hole_sigmas(old: Silhouette, region: Polygon, hand: _Hand) -> tuple[float, ...]:
    """Figures of holes that were there before; a hand's for new ones."""
    before = list(zip(old.region.interiors, old.holes_sigma_mm, strict=False))
    sigmas = []
    for hole in region.interiors:
        shape = Polygon(hole)
        same = [s for ring, s in before if Polygon(ring).equals_exact(shape, KEPT_MM)]
        same += [s for ring, s in before if Polygon(ring).symmetric_difference(shape).area < 1]
        sigmas.append(same[0] if same else hand.sigma_mm)
    return tuple(sigmas)
