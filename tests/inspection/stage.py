"""A finished panel in use as a height field with light on it: tools, gaps, things in front.

Frame: ``panel_mm`` with z towards the camera, the face at z = 0. Grid rows run up from the bottom.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.inspection.marks import MARK_MM, mark_places
from tracer.model.card_codes import marker_cells
from tracer.model.panel import Panel, PanelPocket, PlyRole

__all__ = ["COVER", "Stage", "States", "set_stage"]

Floats = NDArray[np.float32]
States = Mapping[str, str]

RIM_MM = 200.0
COVER = 255  # id of hands, cables, coats
FACE, AROUND = 254, 253


@dataclass(eq=False)
class Stage:
    """Heights, linear reflectance and ids of what lies in each cell (pocket i: i + 1)."""

    step_mm: float
    origin_mm: tuple[float, float]
    height: Floats
    colour: Floats
    ids: NDArray[np.uint8]
    laid: dict[str, Polygon] = field(default_factory=dict)
    bulge_mm: float = 0.0

    def mask(self, region: BaseGeometry) -> NDArray[np.bool_]:
        """Cells whose centre lies in a region, holes left out."""
        out = np.zeros(self.height.shape, np.uint8)
        for piece in getattr(region, "geoms", [region]):
            if piece.is_empty or not isinstance(piece, Polygon):
                continue
            cv2.fillPoly(out, [self._cells(piece.exterior.coords)], 1, cv2.LINE_8, 8)
            for hole in piece.interiors:
                cv2.fillPoly(out, [self._cells(hole.coords)], 0, cv2.LINE_8, 8)
        return out.astype(bool)

    def cut(self, region: BaseGeometry) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
        """The window around a region, and which of its cells lie inside."""
        x0, y0, x1, y1 = region.bounds
        low = np.floor((np.array([x0, y0]) - self.origin_mm) / self.step_mm).astype(int) - 2
        high = np.ceil((np.array([x1, y1]) - self.origin_mm) / self.step_mm).astype(int) + 3
        rows, columns = self.height.shape
        low, high = np.maximum(low, 0), np.maximum(np.minimum(high, [columns, rows]), 1)
        out = np.zeros((max(high[1] - low[1], 1), max(high[0] - low[0], 1)), np.uint8)
        for piece in getattr(region, "geoms", [region]):
            for number, ring in enumerate([piece.exterior, *piece.interiors]):
                cells = self._cells(ring.coords) - (low * 256).astype(np.int32)
                cv2.fillPoly(out, [cells], int(number == 0), cv2.LINE_8, 8)
        return np.s_[low[1] : high[1], low[0] : high[0]], out.astype(bool)

    def _cells(self, ring: object) -> NDArray[np.int32]:
        points = np.asarray(ring, np.float64)[:, :2]
        return np.round((points - self.origin_mm) / self.step_mm * 256).astype(np.int32)

    def paint(self, mask: NDArray[np.bool_], rgb: NDArray[np.float64] | Floats) -> None:
        self.colour[mask] = rgb


def linear(rgb: tuple[int, int, int]) -> NDArray[np.float64]:
    """sRGB 0..255 to linear light (IEC 61966-2-1)."""
    c = np.array(rgb, np.float64) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def clouds(g: Generator, shape: tuple[int, int], cell: float) -> Floats:
    """Smooth noise, mean 0 and deviation about 1, with spots ``cell`` grid cells wide."""
    small = [max(int(n / cell) + 3, 4) for n in shape]
    cv2.setRNGSeed(int(g.integers(2**31)))
    noise = np.empty(small, np.float32)
    cv2.randn(noise, 0, 1)
    return np.asarray(cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def set_stage(
    panel: Panel,
    states: States,
    g: Generator,
    *,
    things: tuple[str, ...] = (),
    marks: bool = False,
    step_mm: float = 0.75,
    looks_seed: int = 0,
) -> Stage:
    """A panel whose pockets are ``present``, ``missing``, ``wrong`` or ``turned`` by id.

    ``things`` in front: ``hand``, ``cable``, ``coat``, ``rag``. ``looks_seed`` decides how the
    tools look, so that photos of one panel show the same tools.
    """
    width, height = panel.size_mm
    shape = (int((height + 2 * RIM_MM) / step_mm), int((width + 2 * RIM_MM) / step_mm))
    stage = Stage(
        step_mm,
        (-RIM_MM, -RIM_MM),
        np.zeros(shape, np.float32),
        np.zeros((*shape, 3), np.float32),
        np.full(shape, AROUND, np.uint8),
    )
    _surroundings(stage, panel, g)
    _foam(stage, panel, g)
    if marks:
        _marks(stage, panel, g)
    for index, pocket in enumerate(panel.pockets):
        state = states.get(pocket.pocket_id, "present")
        looks = np.random.default_rng([looks_seed, index])
        if state == "present":
            moved = _settled(pocket, g)
            _tool(stage, moved, pocket.height_mm, -pocket.depth_mm, looks)
            stage.laid[pocket.pocket_id] = moved
        elif state in {"wrong", "turned"}:
            _misplaced(stage, panel, index, state, g)
    for thing in things:
        _in_front(stage, panel, thing, g)
    return stage


def _surroundings(stage: Stage, panel: Panel, g: Generator) -> None:
    kind = g.choice(["plaster", "board", "paint", "drawer"])
    rgb = {
        "plaster": (0.62, 0.6, 0.55),
        "board": (0.5, 0.36, 0.2),
        "paint": tuple(g.uniform(0.05, 0.6, 3)),
        "drawer": (0.3, 0.31, 0.33),
    }[str(kind)]
    texture = 1 + 0.06 * clouds(g, stage.height.shape, 90 / stage.step_mm)
    if kind == "board":
        grain = clouds(g, (stage.height.shape[0], 8), 3 / stage.step_mm)
        texture += 0.1 * np.resize(grain.mean(axis=1), stage.height.shape[0])[:, None]
    stage.colour[:] = np.clip(texture, 0.3, 2)[..., None] * np.array(rgb, np.float32)
    thickness = panel.thickness_mm()
    stage.height[:] = -thickness if kind != "drawer" else -thickness - 5
    if kind == "drawer":  # its walls stand close to the foam, higher than the face
        outer = panel.shape.buffer(14, join_style="mitre")
        wall = stage.mask(outer.difference(panel.shape.buffer(1.0, join_style="mitre")))
        stage.height[wall] = g.uniform(5, 40)
        beyond = ~stage.mask(outer)
        stage.height[beyond] = g.uniform(-60, 0)
        stage.colour[beyond] *= np.array(g.uniform(0.3, 1.4, 3), np.float32)
    else:
        for _ in range(int(g.integers(0, 4))):  # frames, switches, other things on the wall
            w, h = g.uniform(40, 160, 2)
            side = g.integers(0, 4)
            px, py = panel.size_mm
            x = [-w - 30, px + 30 + w, g.uniform(0, px), g.uniform(0, px)][side]
            y = [g.uniform(0, py), g.uniform(0, py), -h - 30, py + 30 + h][side]
            thing = stage.mask(affinity.translate(Polygon([(0, 0), (w, 0), (w, h), (0, h)]), x, y))
            stage.height[thing] += g.uniform(2, 40)
            stage.paint(thing, g.uniform(0.02, 0.7, 3))


def _foam(stage: Stage, panel: Panel, g: Generator) -> None:
    """Face, its gentle bulge, pockets, notches, labels; colours a little off what was typed."""
    face = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)
    base = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.BASE)
    off = np.exp(g.normal(0, 0.08, (2, 1))) * np.exp(g.normal(0, 0.04, (2, 3)))
    inside = stage.mask(panel.shape)
    grain = 1 + 0.05 * clouds(g, stage.height.shape, 2 / stage.step_mm)
    grain += 0.03 * clouds(g, stage.height.shape, 40 / stage.step_mm)
    face_rgb, floor_rgb = linear(face) * off[0], linear(base) * off[1]
    stage.colour[inside] = (grain[..., None] * face_rgb)[inside]
    stage.ids[inside] = FACE
    rows, columns = stage.height.shape
    x = (np.arange(columns) * stage.step_mm - RIM_MM) / panel.size_mm[0] * 2 - 1
    y = (np.arange(rows) * stage.step_mm - RIM_MM) / panel.size_mm[1] * 2 - 1
    bulge = np.clip(1 - x[None] ** 2, 0, 1) * np.clip(1 - y[:, None] ** 2, 0, 1)
    stage.bulge_mm = float(g.uniform(-0.5, 3.0))
    stage.height[inside] = (stage.bulge_mm * bulge).astype(np.float32)[inside]
    face_height = stage.height.copy()
    for index, pocket in enumerate(panel.pockets):
        for notch in pocket.notches:
            at, cells = stage.cut(notch.region)
            stage.height[at][cells] = face_height[at][cells] - notch.depth_mm
            stage.ids[at][cells] = index + 1
    for index, pocket in enumerate(panel.pockets):
        region = affinity.scale(pocket.region, *(1 + g.normal(0, 0.002, 2)))
        at, cells = stage.cut(region.buffer(g.normal(0, 0.15)))
        stage.height[at][cells] = face_height[at][cells] - pocket.depth_mm
        if pocket.floor_insert is not None or panel.shows_base(pocket):
            stage.colour[at][cells] = (grain[at][..., None] * floor_rgb)[cells]
        stage.ids[at][cells] = index + 1
    if g.random() < 0.7:
        for pocket in panel.pockets:
            _letters(stage, pocket)


def _letters(stage: Stage, pocket: PanelPocket) -> None:
    label = pocket.label
    if label is None:
        return
    size = label.cap_height_mm / stage.step_mm
    flipped = np.zeros(stage.height.shape, np.uint8)
    at = (
        int((label.x_mm - stage.origin_mm[0]) / stage.step_mm),
        stage.height.shape[0] - int((label.y_mm - stage.origin_mm[1]) / stage.step_mm),
    )
    cv2.putText(flipped, label.text[:30], at, cv2.FONT_HERSHEY_SIMPLEX, size / 22, 1, 2)
    cells = (flipped[::-1] > 0) & (stage.ids == FACE)
    stage.paint(cells, np.full(3, 0.6))


def _marks(stage: Stage, panel: Panel, g: Generator) -> None:
    """Printed corner marks, stuck on by hand: a millimetre and two degrees off."""
    for place in mark_places(panel):
        side = MARK_MM * 10 / 8
        turn = np.radians(g.normal(0, 1.0))
        c, s = np.cos(turn), np.sin(turn)
        x0, y0 = np.array([place.x_mm, place.y_mm]) + g.normal(0, 0.7, 2)
        black = np.pad(marker_cells(place.marker_id), 1, constant_values=False)
        box = Point(x0, y0).buffer(side, cap_style="square")
        rows, columns = np.nonzero(stage.mask(box))
        x = columns * stage.step_mm + stage.origin_mm[0] - x0
        y = rows * stage.step_mm + stage.origin_mm[1] - y0
        u, v = c * x + s * y, -s * x + c * y
        col, row = np.floor((u / side + 0.5) * 10), np.floor((0.5 - v / side) * 10)
        on = (col >= 0) & (col < 10) & (row >= 0) & (row < 10)
        rows, columns = rows[on], columns[on]
        ink = black[row[on].astype(int), col[on].astype(int)]
        stage.colour[rows, columns] = np.where(ink, 0.03, 0.8)[:, None]


def _settled(pocket: PanelPocket, g: Generator) -> Polygon:
    """The tool shoved about within its gap."""
    gap = max(min(pocket.widths_mm[0], 1.5), 0.0)
    dx, dy = g.uniform(-0.7, 0.7, 2) * gap
    turn = g.uniform(-0.5, 0.5) * np.degrees(gap / max(pocket.outline.length / 4, 10))
    moved = affinity.rotate(pocket.outline, turn, origin="centroid")
    return affinity.translate(moved, dx, dy)


def _misplaced(stage: Stage, panel: Panel, index: int, state: str, g: Generator) -> None:
    """Another tool in the pocket, or its own tool turned about."""
    pocket = panel.pockets[index]
    if state == "turned":
        shape = affinity.rotate(pocket.outline, 180, origin="centroid")
        height, looks = pocket.height_mm, np.random.default_rng([7, index])
    else:
        others = [p for p in panel.pockets if p.name.split(" (")[0] != pocket.name.split(" (")[0]]
        other = others[int(g.integers(len(others)))]
        turn = _long_axis(pocket.outline) - _long_axis(other.outline)
        shape = affinity.rotate(other.outline, np.degrees(turn), origin="centroid")
        c, o = pocket.outline.centroid, shape.centroid
        shape = affinity.translate(shape, c.x - o.x, c.y - o.y)
        height, looks = other.height_mm, np.random.default_rng([9, index])
    fits = shape.difference(pocket.region.buffer(0.5)).area < 0.02 * shape.area
    rest = -pocket.depth_mm if fits else 0.0
    _tool(stage, shape, height, rest, looks)
    stage.laid[pocket.pocket_id] = shape


def _long_axis(shape: Polygon) -> float:
    points = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)[:4]
    sides = np.diff(points[:3], axis=0)
    side = sides[np.argmax(np.linalg.norm(sides, axis=1))]
    return float(np.arctan2(side[1], side[0]))


_METALS = ((0.45, 0.45, 0.46), (0.28, 0.28, 0.29), (0.08, 0.08, 0.085), (0.55, 0.55, 0.57))
_GRIPS = (
    (0.02, 0.02, 0.02), (0.4, 0.03, 0.03), (0.03, 0.08, 0.35), (0.5, 0.35, 0.03),
    (0.03, 0.25, 0.08), (0.5, 0.2, 0.02), (0.42, 0.27, 0.14), (0.1, 0.1, 0.1),
)  # fmt: skip


def _tool(stage: Stage, shape: Polygon, height_mm: float, rest_mm: float, looks: Generator) -> None:
    """A tool with rounded edges, of metal, often with a grip of another colour."""
    window, own = stage.cut(shape)
    if not own.any():
        return
    deep = cv2.distanceTransform(own.astype(np.uint8), cv2.DIST_L2, 5) * stage.step_mm
    thick = height_mm if np.isfinite(height_mm) else 15.0
    radius = min(thick / 2, max(float(deep.max()), 0.5))
    rounded = np.sqrt(np.clip(1 - (1 - np.clip(deep / radius, 0, 1)) ** 2, 0, 1))
    top = rest_mm + thick * (0.55 + 0.45 * rounded)
    stage.height[window][own] = np.maximum(stage.height[window], top.astype(np.float32))[own]
    rgb = np.array(_METALS[int(looks.integers(len(_METALS)))])
    colour = np.broadcast_to(rgb, (*own.shape, 3)).copy()
    along = _long_axis(shape)
    y, x = np.mgrid[0 : own.shape[0], 0 : own.shape[1]] * stage.step_mm
    t = x * np.cos(along) + y * np.sin(along)
    t = (t - t[own].min()) / max(float(np.ptp(t[own])), 1e-6)
    if looks.random() < 0.65:
        grip = np.array(_GRIPS[int(looks.integers(len(_GRIPS)))])
        share = looks.uniform(0.3, 0.7)
        colour[t < share] = grip
        if looks.random() < 0.2:
            colour[:] = grip
    wave = 1 + 0.35 * np.sin(2 * np.pi * (t * looks.uniform(1, 4) + looks.random()))
    slope = np.gradient(cv2.GaussianBlur(top.astype(np.float32), (0, 0), 1.5))
    shine = np.clip(1 + 0.5 * wave * (slope[0] - slope[1]) / stage.step_mm, 0.35, 2.2)
    stage.colour[window][own] = (colour * shine[..., None])[own]


def _in_front(stage: Stage, panel: Panel, thing: str, g: Generator) -> None:
    width, height = panel.size_mm
    x, y = g.uniform(0.1, 0.9) * width, g.uniform(0.1, 0.9) * height
    if thing == "hand":
        arm = LineString([(x, y), (x + g.uniform(-80, 80), -RIM_MM)]).buffer(32)
        fingers = [
            LineString([(x, y), (x + 26 * (i - 1.5), y + g.uniform(60, 95))]).buffer(9)
            for i in range(4)
        ]
        shape, top, rgb = Point(x, y).buffer(42).union(arm), g.uniform(40, 110), (0.5, 0.28, 0.2)
        for finger in fingers:
            shape = shape.union(finger)
        rgb = tuple(np.array(rgb) * g.uniform(0.25, 1.15))
    elif thing == "cable":
        points = [(x + 240 * (i - 2) / 2 + g.normal(0, 40), y + g.normal(0, 90)) for i in range(6)]
        shape, top = LineString(points).buffer(g.uniform(2.5, 5)), g.uniform(6, 20)
        rgb = _GRIPS[int(g.integers(len(_GRIPS)))]
    elif thing == "coat":
        side = g.choice([-1, 1])
        edge = width if side > 0 else 0.0
        reach = g.uniform(0.1, 0.35) * width
        points = [(edge + side * RIM_MM, -RIM_MM), (edge + side * RIM_MM, height + RIM_MM)]
        rows = np.linspace(height + RIM_MM, -RIM_MM, 9)
        points += [(edge - side * reach * g.uniform(0.4, 1), float(v)) for v in rows]
        shape, top, rgb = (
            Polygon(points).buffer(0),
            g.uniform(30, 70),
            tuple(g.uniform(0.01, 0.3, 3)),
        )
    else:  # a rag
        points = [
            (x + g.uniform(40, 80) * np.cos(a), y + g.uniform(30, 60) * np.sin(a))
            for a in np.linspace(0, 2 * np.pi, 10)[:-1]
        ]
        shape, top, rgb = (
            Polygon(points).buffer(8),
            g.uniform(4, 14),
            tuple(g.uniform(0.03, 0.6, 3)),
        )
    cells = stage.mask(shape)
    folds = 1 + 0.2 * clouds(g, stage.height.shape, 25 / stage.step_mm)
    stage.height[cells] = np.maximum(stage.height[cells], top)
    stage.colour[cells] = (np.clip(folds, 0.4, 1.6)[..., None] * np.array(rgb))[cells]
    stage.ids[cells] = COVER
