"""A small renderer of lays with exact truth, for tests.

Tools are upright prisms: a plan outline, a height and a finish. So the outline seen straight
down *is* the plan outline, and what the camera sees, cut with z = 0, is known exactly too
(`Scene.silhouettes`). Shadows are prisms seen from samples of a lamp, chrome mirrors the ground,
and the picture goes through lens, blur, noise, 8 bits and JPEG as a phone's does.

Frame: sheet mm as in `tracer.model`; the first default card sits at the origin, so that a
calibration of the picture and this truth share one frame.

>>> from shapely.geometry import box
>>> from tests.scene_parts import Tool
>>> scene = make_scene(tools=[Tool(box(60, 150, 200, 170), 10.0)], size_px=(640, 480))
>>> scene.photo.pixels.shape, len(scene.silhouettes)
((480, 640, 3), 1)
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.ops import unary_union

from tests.scene_parts import CARDS, FINISHES, GROUNDS, Card, Look, Tool
from tracer.model.photo import Photo
from tracer.model.view import View

Array = NDArray[np.float64]

SHEET_SPAN_MM = 2400.0  # the procedural ground repeats nothing within this square
OVERSAMPLING = 3  # per axis; an edge is then placed to better than 0.02 px on average


@dataclass(frozen=True, eq=False)
class Scene:
    """A rendered photo and its exact truth."""

    photo: Photo
    view: View
    tools: tuple[Tool, ...]
    cards: tuple[Card, ...]
    silhouettes: tuple[Polygon, ...]
    sheet_mm: Polygon | None = None

    @property
    def outlines(self) -> tuple[Polygon, ...]:
        """Plan outlines, as seen straight down."""
        return tuple(t.plan for t in self.tools)

    @property
    def papers(self) -> tuple[Polygon, ...]:
        """Cut cards on the sheet."""
        return tuple(c.paper_mm for c in self.cards)

    @property
    def hull(self) -> Polygon | None:
        """Convex hull of the boards, None without cards."""
        if not self.cards:
            return None
        hull = unary_union([c.board_mm for c in self.cards]).convex_hull
        return hull if isinstance(hull, Polygon) else None


def make_view(
    size_px: tuple[int, int] = (1600, 1200),
    *,
    above_mm: tuple[float, float] = (350.0, 200.0),
    height_mm: float = 800.0,
    tilt_deg: float = 4.0,
    tilt_towards_deg: float = 60.0,
    turn_deg: float = 3.0,
    focal_35mm: float = 26.0,
    dist: Sequence[float] = (0.04, 0.0, 0.0, 0.0, 0.0),
    photo_id: str = "scene",
) -> View:
    """A camera that looks down; ``above_mm`` is the sheet point in the picture's middle."""
    w, h = size_px
    f = focal_35mm / 43.267 * np.hypot(w, h)
    K = np.array([[f, 0.0, (w - 1) / 2], [0.0, f, (h - 1) / 2], [0.0, 0.0, 1.0]])
    turn, tilt, to = np.radians([turn_deg, tilt_deg, tilt_towards_deg])
    down = np.array([[np.cos(turn), np.sin(turn), 0], [np.sin(turn), -np.cos(turn), 0], [0, 0, -1]])
    axis = np.array([np.cos(to), np.sin(to), 0.0]) * tilt
    R = cv2.Rodrigues(axis)[0] @ down
    forward = R[2]
    centre = np.array([*above_mm, 0.0]) - forward * (height_mm / -forward[2])
    return View(photo_id, size_px, K, np.asarray(dist, float), R, -R @ centre)


def seen_from(plan: Polygon, height_mm: float, eye_mm: Array) -> Polygon:
    """What the prism hides of z = 0 for an eye (or lamp) at ``eye_mm`` (3,): exact, in mm."""
    eye, z = eye_mm[:2], float(eye_mm[2])

    def lift(ring: Array) -> Array:
        return eye + (ring - eye) * (z / (z - height_mm))

    def shadow(ring: Array) -> list[Polygon]:
        top = lift(ring)
        quads = [
            Polygon([ring[i], ring[i + 1], top[i + 1], top[i]]).buffer(0)
            for i in range(len(ring) - 1)
        ]
        return [q for q in quads if q.area > 0]

    rings = [np.asarray(r.coords)[:, :2] for r in (plan.exterior, *plan.interiors)]
    top = Polygon(lift(rings[0]), [lift(r) for r in rings[1:]])
    sides = [q for ring in rings for q in shadow(ring)]
    union = unary_union([plan, top, *sides]).buffer(1e-6)
    assert isinstance(union, Polygon)
    return union


@cache
def _unit_texture(kind: str, seed: int) -> NDArray[np.float32]:
    return _texture(kind, np.random.default_rng(seed))


def _noise(rng: np.random.Generator, shape: tuple[int, int], sx: float, sy: float) -> Array:
    field_ = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), sx, sigmaY=sy)
    return np.asarray(field_ / field_.std(), np.float32)


def _texture(kind: str, rng: np.random.Generator) -> NDArray[np.float32]:
    """Log reflectance of the ground, zero mean and unit deviation, 2 mm per cell."""
    n = int(SHEET_SPAN_MM / 2)
    if kind == "grain":
        field_ = _noise(rng, (n, n), 40, 3) + 0.4 * _noise(rng, (n, n), 20, 0.8)
    elif kind == "clouds":
        field_ = _noise(rng, (n, n), 25, 25) + 0.5 * _noise(rng, (n, n), 1.0, 1.0)
    else:
        field_ = _noise(rng, (n, n), 0.8, 0.8)
    return np.asarray(field_ / field_.std(), np.float32)


def _ground(name: str, xy: Array, seed: int) -> Array:
    """Linear reflectance (H, W, 3) of a ground at sheet points (H, W, 2)."""
    colour, kind, strength = GROUNDS[name]
    cells = ((xy + SHEET_SPAN_MM / 2) / 2).astype(np.float32)
    t = cv2.remap(
        _unit_texture(kind, seed),
        cells[..., 0],
        cells[..., 1],
        cv2.INTER_LINEAR,
        None,
        cv2.BORDER_WRAP,
    )
    out = np.asarray(colour, np.float32) * np.exp(np.float32(strength) * t)[..., None]
    if kind == "lines":
        off = np.abs((xy + 5.0) % 10.0 - 5.0).min(axis=-1)
        line = np.clip(0.6 - off, 0, 1)[..., None]
        out += line * np.array([0.25, 0.3, 0.25], np.float32)
    return np.asarray(out, np.float32)


def _lamps(light: str) -> list[tuple[Array, float, float]]:
    """(position mm, radius mm, share of the light) of each lamp; the rest is even light."""
    if light == "lamp":
        return [(np.array([-500.0, 900.0, 1300.0]), 15.0, 0.85)]
    if light == "panels":
        return [
            (np.array([-300.0, 700.0, 2200.0]), 250.0, 0.3),
            (np.array([900.0, -400.0, 2200.0]), 250.0, 0.3),
        ]
    if light == "window":
        return [(np.array([-1500.0, 600.0, 1400.0]), 450.0, 0.6)]
    raise KeyError(light)


def _sheet_points(view: View, x0: int, y0: int, w: int, h: int, n: int = 1) -> Array:
    """Sheet points (h n, w n, 2) of the sub-pixel centres of a window of the photo.

    Interpolated from every eighth pixel: the map's curvature costs less than 0.001 mm, single
    precision 0.0001 mm.
    """
    nodes_x, nodes_y = np.arange(x0 - 8, x0 + w + 16, 8.0), np.arange(y0 - 8, y0 + h + 16, 8.0)
    gx, gy = np.meshgrid(nodes_x, nodes_y)
    coarse = (
        view.to_sheet(np.column_stack([gx.ravel(), gy.ravel()]))
        .reshape(*gx.shape, 2)
        .astype(np.float32)
    )
    at_x = ((np.arange(w * n) + 0.5) / n - 0.5 + 8) / 8
    at_y = ((np.arange(h * n) + 0.5) / n - 0.5 + 8) / 8
    rows = _lerp(coarse, at_y, 0)
    return _lerp(rows, at_x, 1)


def _lerp(values: Array, at: Array, axis: int) -> Array:
    low = at.astype(int)
    part = (at - low).astype(values.dtype).reshape([-1, 1, 1] if axis == 0 else [1, -1, 1])
    a, b = np.take(values, low, axis), np.take(values, low + 1, axis)
    b -= a
    b *= part
    a += b
    return a


def _cover_window(
    view: View, region: Polygon, *, step_mm: float = 4.0, oversampling: int = OVERSAMPLING
) -> tuple[slice, slice, NDArray[np.float32]]:
    """Coverage 0 to 1 of a region of the sheet over its bounding box in the photo."""
    w, h = view.size_px
    rings = [
        view.to_photo(np.asarray(r.segmentize(step_mm).coords)[:-1, :2])
        for r in (region.exterior, *region.interiors)
    ]
    x0, y0 = np.clip(np.floor(rings[0].min(axis=0)).astype(int) - 1, 0, (w, h))
    x1, y1 = np.clip(np.ceil(rings[0].max(axis=0)).astype(int) + 2, 0, (w, h))
    if x1 <= x0 or y1 <= y0:
        return slice(0, 0), slice(0, 0), np.zeros((0, 0), np.float32)
    n = oversampling
    canvas = np.zeros(((y1 - y0) * n, (x1 - x0) * n), np.uint8)
    fine = [np.round((((r - (x0, y0)) + 0.5) * n - 0.5) * 256).astype(np.int32) for r in rings]
    cv2.fillPoly(canvas, fine, 255, shift=8)
    # fillPoly also paints the outline's own pixels: half of each lies outside the region
    rim = np.zeros_like(canvas)
    cv2.polylines(rim, fine, True, 255, 1, shift=8)
    canvas[(rim > 0) & (canvas > 0)] = 128
    small = cv2.resize(canvas, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    return slice(y0, y1), slice(x0, x1), small.astype(np.float32) / 255


def _cover(view: View, region: Polygon) -> NDArray[np.float32]:
    """Coverage 0 to 1 (H, W) of a region of the sheet in the photo."""
    w, h = view.size_px
    out = np.zeros((h, w), np.float32)
    rows, cols, small = _cover_window(view, region)
    out[rows, cols] = small
    return out


def _card_print(view: View, card: Card) -> tuple[slice, slice, NDArray[np.float32]]:
    """Reflectance of a printed board over its bounding box in the photo, NaN off the board."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    ids = np.arange(12 * card.number, 12 * card.number + 12)
    board = cv2.aruco.CharucoBoard((6, 4), 28.0, 21.0, dictionary, ids)
    master = board.generateImage((1680, 1120), marginSize=0).astype(np.float32) / 255
    corners = view.to_photo(np.asarray(card.board_mm.exterior.coords))
    w, h = view.size_px
    x0, y0 = np.clip(np.floor(corners.min(axis=0)).astype(int) - 1, 0, (w, h))
    x1, y1 = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 2, 0, (w, h))
    if x1 <= x0 or y1 <= y0:
        return slice(0, 0), slice(0, 0), np.zeros((0, 0), np.float32)
    n = OVERSAMPLING
    p = _sheet_points(view, x0, y0, x1 - x0, y1 - y0, n) - (card.x_mm, card.y_mm)
    c, s = np.cos(card.angle_rad), np.sin(card.angle_rad)
    u, v = p[..., 0] * c + p[..., 1] * s, -p[..., 0] * s + p[..., 1] * c
    map_x = (u / card.scale * 10 - 0.5).astype(np.float32)
    map_y = ((112 - v / card.scale) * 10 - 0.5).astype(np.float32)
    picture = cv2.remap(
        master, map_x, map_y, cv2.INTER_NEAREST, None, cv2.BORDER_CONSTANT, borderValue=1.0
    )
    small = picture.reshape(y1 - y0, n, x1 - x0, n).mean(axis=(1, 3))
    return slice(y0, y1), slice(x0, x1), small.astype(np.float32)


def _finish(tool: Tool, cover: NDArray[np.float32], ground: Array) -> Array:
    """Linear radiance (H, W, 3) of a tool's surface under unit light."""
    depth = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    depth = cv2.GaussianBlur(depth, (0, 0), 1.0)
    if tool.finish == "chrome":
        # a rounded rim mirrors the sheet near by, the flat top the dark ceiling: bright at the
        # edge, dark bands, bright again
        mirror = (0.55 + 0.4 * np.cos(depth * 0.45) * np.exp(-depth / 14))[..., None]
        return np.asarray(0.15 * mirror + 0.75 * mirror * ground, np.float32)
    colour = np.asarray(FINISHES[tool.finish], np.float32)
    shade = 0.75 + 0.35 * np.clip(depth / 6, 0, 1)
    return np.asarray(shade[..., None] * colour + np.float32(0.004), np.float32)


def _box(cover: NDArray[np.float32]) -> tuple[slice, slice]:
    """Rows and columns that hold the covered cells, and a margin for what is blurred there."""
    rows, cols = np.flatnonzero(cover.any(axis=1)), np.flatnonzero(cover.any(axis=0))
    if len(rows) == 0:
        return slice(0, 0), slice(0, 0)
    return (
        slice(max(int(rows[0]) - 8, 0), int(rows[-1]) + 9),
        slice(max(int(cols[0]) - 8, 0), int(cols[-1]) + 9),
    )


def encode_srgb(linear: Array) -> Array:
    """Linear light to sRGB values 0 to 255 (IEC 61966-2-1), not rounded."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055) * 255


def _light(
    view: View, xy: Array, tools: Sequence[Tool], look: Look, rng: np.random.Generator
) -> Array:
    """Light (H, W) on the sheet: lamps' fall-off, and the shadows that the tools throw."""
    h, w = xy.shape[:2]
    light = np.ones((h, w), np.float32)
    for where, radius, share in _lamps(look.light):
        lit = np.zeros((h, w), np.float32)
        offsets = rng.normal(0, radius / 1.5, (8 if radius > 50 else 3, 2))
        for dx, dy in offsets:
            lamp = where + np.array([dx, dy, 0.0])
            near = float(np.linalg.norm(lamp - (300, 200, 0)) ** 2)
            squared = (xy[..., 0] - lamp[0]) ** 2 + (xy[..., 1] - lamp[1]) ** 2 + lamp[2] ** 2
            fall = (near / squared) ** np.float32(1.5)
            bright = np.ones((h, w), np.float32)
            for t in tools:
                shade = seen_from(t.plan, t.height_mm, lamp)
                rows, cols, dark = _cover_window(view, shade, oversampling=1)
                np.minimum(bright[rows, cols], 1 - dark, out=bright[rows, cols])
            fall *= bright
            lit += fall / np.float32(len(offsets))
        if radius > 50:  # a wide lamp's few samples would leave steps that no real shadow has
            lit = cv2.GaussianBlur(lit, (0, 0), 5.0)
        light += np.float32(share) * (lit - 1)
    return light


def develop(linear: Array, look: Look, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Blur, noise, sRGB, 8 bits and JPEG."""
    blurred = cv2.GaussianBlur(linear, (0, 0), look.blur_px) if look.blur_px > 0 else linear
    values = encode_srgb(blurred) + rng.normal(0.0, look.noise_dn, linear.shape)
    picture = np.clip(np.round(values), 0, 255).astype(np.uint8)
    ok, data = cv2.imencode(
        ".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, look.jpeg_quality]
    )
    assert ok
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def make_scene(
    tools: Sequence[Tool] = (),
    *,
    cards: Sequence[Card] = CARDS,
    look: Look | None = None,
    view: View | None = None,
    size_px: tuple[int, int] = (1600, 1200),
    name: str = "scene.jpg",
) -> Scene:
    """Render a lay. ``view`` wins over ``size_px``; ``look`` says ground, light and flaws."""
    look = look or Look()
    view = view or make_view(size_px)
    rng = np.random.default_rng(look.seed)
    w, h = view.size_px
    xy = _sheet_points(view, 0, 0, w, h)
    ground = _ground(look.ground, xy, look.seed)
    if look.sheet_mm is not None:
        on = _cover(view, look.sheet_mm)[..., None]
        ground = on * ground + (1 - on) * _ground(look.beyond, xy, look.seed)
    for card in cards:
        paper = _cover(view, card.paper_mm)[..., None]
        ground = (1 - paper) * ground + paper * 0.82
        rows, cols, ink = _card_print(view, card)
        ground[rows, cols] *= (0.05 + 0.95 * ink)[..., None]
    for shape, colour in look.extras:
        on = _cover(view, shape)[..., None]
        ground = (1 - on) * ground + on * np.asarray(colour, np.float32)

    silhouettes = [seen_from(t.plan, t.height_mm, view.centre_mm) for t in tools]
    covers = [_cover(view, s) for s in silhouettes]
    light = _light(view, xy, tools, look, rng)
    floor = ground * light[..., None]
    for cover, tool in zip(covers, tools, strict=True):
        gap = cv2.distanceTransform((cover < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        reach = max(1.0, 0.25 * tool.height_mm / float(view.mm_per_px([[300, 200]])[0]))
        floor *= (1 - 0.35 * np.exp(-gap / reach))[..., None]
    for cover, tool in zip(covers, tools, strict=True):
        at = _box(cover)
        c = cover[at][..., None]
        floor[at] = (1 - c) * floor[at] + c * _finish(tool, cover[at], ground[at])
    # exposed as a camera would: the brightest part of the sheet just below white
    floor *= min(1.0, 0.92 / float(np.percentile(floor[::3, ::3], 99.5)))
    tint = np.asarray(look.tint, np.float32) * np.float32(look.exposure)
    pixels = develop(floor * tint, look, rng)
    pixels.flags.writeable = False
    photo_id = hashlib.sha256(pixels.tobytes()).hexdigest()[:16]
    view = replace(view, photo_id=photo_id)
    focal = view.K[0, 0] * 43.267 / np.hypot(w, h)
    photo = Photo(photo_id, name, pixels, round(float(focal), 2), "test camera")
    return Scene(photo, view, tuple(tools), tuple(cards), tuple(silhouettes), look.sheet_mm)
