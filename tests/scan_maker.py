"""A small renderer of flatbed scans with exact truth, for tests.

The sheet is the glass as seen from above; card 0 lies face down at its origin, so that a
calibration of the picture and this truth share one frame. The picture is what the scanner sees from
below. Parts are upright prisms that stand on the glass. Across the carriage's travel a line sensor
behind a lens sees their sides: what stands at height z appears nearer to the glass's middle line,
by ``u z / (path + z)`` at the distance u from it; along the travel nothing moves.

>>> from shapely.geometry import box
>>> scan = make_scan([Part(box(20, 130, 60, 142))], glass_mm=(180.0, 160.0), dpi=(200.0, 200.0))
>>> scan.pixels.shape
(1260, 1418, 3)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from io import BytesIO

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import unary_union

from tests.scene_maker import _cover_window, encode_srgb
from tracer.export.paper.cards import card_shapes
from tracer.model.card import BOARD_MM, WHITE_MM
from tracer.model.scan_map import INCH_MM, ScanMap

Array = NDArray[np.float64]

#: EUR: diameter in mm; Council Regulation (EU) No 729/2014, annex I
COINS_MM = {
    0.01: 16.25,
    0.02: 18.75,
    0.05: 21.25,
    0.10: 19.75,
    0.20: 22.25,
    0.50: 24.25,
    1.00: 23.25,
    2.00: 25.75,
}
#: width across flats: long and short arm of an L-shaped hexagon key, mm; ISO 2936, from memory
HEX_KEYS_MM = {3.0: (63.0, 20.0), 4.0: (70.0, 25.0), 5.0: (80.0, 28.0), 6.0: (90.0, 32.0)}
FINISHES = {
    "steel": (0.20, 0.20, 0.20),
    "dark": (0.05, 0.05, 0.055),
    "brass": (0.34, 0.24, 0.09),
    "blue": (0.03, 0.08, 0.33),
}
FINE = 6  # per axis; an edge is then placed to better than 0.01 px on average


@dataclass(frozen=True)
class Part:
    """An upright prism on the glass: its plan as seen from above, mm, height, finish.

    ``diameter_mm`` is the true one of a disc.
    """

    plan: Polygon
    height_mm: float = 0.0
    finish: str = "steel"
    diameter_mm: float | None = None


@dataclass(frozen=True)
class GlassCard:
    """A printed card: number, where its board's lower left corner lies as it is seen from above."""

    number: int = 0
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_rad: float = 0.0
    scale: tuple[float, float] = (1.0, 1.0)
    face_down: bool = True

    def placed(self, shape: Polygon) -> Polygon:
        """A shape on the print, mm from the board's lower left corner, y up, as it lies."""
        if self.face_down:
            shape = affinity.affine_transform(shape, [-1, 0, 0, 1, BOARD_MM[0], 0])
        shape = affinity.scale(shape, *self.scale, origin=(0, 0))
        shape = affinity.rotate(shape, self.angle_rad, origin=(0, 0), use_radians=True)
        return affinity.translate(shape, self.x_mm, self.y_mm)


@dataclass(frozen=True)
class Flaws:
    """Blur of the optics (px), noise (8-bit levels), shadow at one side, light of the lid."""

    blur_px: float = 0.6
    noise_dn: float = 1.2
    shade: float = 0.25
    shade_mm: float = 1.2
    lid: float = 0.86
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Scan:
    """A rendered scan and its truth."""

    pixels: NDArray[np.uint8]
    true_map: ScanMap
    parts: tuple[Part, ...]
    stated_dpi: tuple[float, float]
    seen: tuple[Polygon, ...] = field(default=())

    def file(self, kind: str = "PNG", *, dpi: tuple[float, float] | None = None) -> bytes:
        """The picture's file, with its stated resolution."""
        out = BytesIO()
        options = {"quality": 92} if kind == "JPEG" else {}
        Image.fromarray(self.pixels).save(out, kind, dpi=dpi or self.stated_dpi, **options)
        return out.getvalue()


def hex_key(across_mm: float, corner_mm: tuple[float, float], turn_deg: float = 0.0) -> Polygon:
    """An L-shaped hexagon key that lies flat; as seen from above its bend is at the left."""
    long, short = HEX_KEYS_MM[across_mm]
    half, radius = across_mm / 2, 1.5 * across_mm
    turn = np.linspace(math.pi, 1.5 * math.pi, 40)
    bend = np.column_stack([radius + radius * np.cos(turn), radius + radius * np.sin(turn)])
    line = np.vstack([[0.0, short - half], bend, [long - half, 0.0]])
    body = LineString(line).buffer(half, cap_style="flat", quad_segs=32)
    return affinity.translate(affinity.rotate(body, turn_deg, origin=(0, 0)), *corner_mm)


def insert(corner_mm: tuple[float, float], turn_deg: float = 0.0) -> Polygon:
    """A spanner-like insert: a ring at one end, an open jaw turned by 15 degrees at the other.

    No mirror image of it can be laid on it.
    """
    ring = Point(0, 0).buffer(11, quad_segs=64).difference(Point(0, 0).buffer(6, quad_segs=64))
    shank = box(8, -4, 58, 5)
    jaw = affinity.rotate(box(60, -6.5, 90, 6.5), 15, origin=(66, 0))
    head = Point(66, 0).buffer(13, quad_segs=64).difference(jaw)
    body = unary_union([ring, shank, head])
    body = body.difference(Point(0, 0).buffer(6, quad_segs=64))
    assert isinstance(body, Polygon)
    return affinity.translate(affinity.rotate(body, turn_deg, origin=(0, 0)), *corner_mm)


def coins(places: dict[float, tuple[float, float]]) -> list[Part]:
    """Coins by value, each with its middle; the smaller ones of brass."""
    return [
        Part(coin(v, at), 0.0, "brass" if v < 1 else "steel", COINS_MM[v])
        for v, at in places.items()
    ]


def coin(value_eur: float, middle_mm: tuple[float, float]) -> Polygon:
    """A coin's legal circle."""
    return Point(*middle_mm).buffer(COINS_MM[value_eur] / 2, quad_segs=180)


def small_parts() -> list[Part]:
    """Coins, keys and inserts beside a card at the origin, on glass of A4 size."""
    return [
        *coins({0.01: (12, 140), 0.1: (38, 140), 0.2: (66, 141), 1.0: (96, 141), 2.0: (128, 142)}),
        Part(hex_key(3.0, (4, 165), 4.0), 0.0, "dark"),
        Part(hex_key(4.0, (66, 178), -3.0), 0.0, "steel"),
        Part(hex_key(6.0, (10, 210), 8.0), 0.0, "dark"),
        Part(insert((120, 235), 24.0), 0.0, "steel"),
        Part(insert((150, 165), 80.0), 0.0, "blue"),
    ]


def mixed_parts(seed: int, count: int = 16) -> list[Part]:
    """Bars, discs, washers, keys, inserts and screws beside a card at the origin, 9 mm apart."""
    g = np.random.default_rng(seed)
    finishes = sorted(FINISHES)
    placed: list[Part] = []
    for _ in range(600):
        if len(placed) == count:
            break
        shape, diameter = _any_shape(g)
        shape = affinity.rotate(shape, g.uniform(0, 360), origin=(0, 0))
        x0, y0, x1, y1 = shape.bounds
        shape = affinity.translate(
            shape, g.uniform(2 - x0, 185 - x1), g.uniform(130 - y0, 272 - y1)
        )
        if all(shape.distance(p.plan) > 9 for p in placed):
            placed.append(Part(shape, 0.0, finishes[g.integers(len(finishes))], diameter))
    return placed


def _any_shape(g: np.random.Generator) -> tuple[Polygon, float | None]:
    """A shape at the origin, and its diameter where it is a disc."""
    radius, width = g.uniform(2.5, 13), g.uniform(3, 6)
    disc = Point(0, 0).buffer(radius, quad_segs=180)
    match g.integers(7):
        case 0:
            return box(0, 0, g.uniform(20, 60), g.uniform(5, 9)), None
        case 1:
            return disc, 2 * radius
        case 2:
            bore = max(1.5, radius * g.uniform(0.3, 0.6))
            return disc.difference(Point(0, 0).buffer(bore, quad_segs=64)), None
        case 3:
            return hex_key((3.0, 4.0, 5.0, 6.0)[g.integers(4)], (0, 0)), None
        case 4:
            return insert((0, 0)), None
        case 5:
            bow = Point(28, 0).buffer(11, quad_segs=64)
            key = unary_union([box(0, -4, 22, 4), bow])
            return key.difference(Point(30, 0).buffer(3.5, quad_segs=64)), None
        case _:
            shank = box(0, -width / 2, g.uniform(12, 40), width / 2)
            return unary_union([shank, box(-width, -width, 0, width)]), None


def true_map(
    glass_mm: tuple[float, float],
    dpi: tuple[float, float],
    *,
    turn_deg: float = 0.0,
    shear: float = 0.0,
    corner_mm: tuple[float, float] = (-8.0, -14.0),
) -> ScanMap:
    """The scanner's map: ``glass_mm`` of glass whose lower left corner, from above, is given."""
    w, h = (int(g / INCH_MM * d) + 1 for g, d in zip(glass_mm, dpi, strict=True))
    scales = np.array(dpi) / INCH_MM
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    # from below, what is right is left: both of the picture's axes run against the sheet's
    part = -np.diag(scales) @ np.array([[1.0, shear], [0.0, 1.0]]) @ np.array([[c, -s], [s, c]])
    middle = np.array(corner_mm) + np.array(glass_mm) / 2
    shift = np.array([(w - 1) / 2, (h - 1) / 2]) - part @ middle
    return ScanMap("truth", (w, h), np.column_stack([part, shift]))


def seen_from_below(part: Part, across: Array, middle_mm: Array, path_mm: float | None) -> Polygon:
    """What a scanner sees of a prism: its foot, and its sides on the side of the middle line."""
    if path_mm is None or part.height_mm == 0:
        return part.plan
    shrink = path_mm / (path_mm + part.height_mm) - 1
    m = np.eye(2) + shrink * np.outer(across, across)
    shift = middle_mm - m @ middle_mm
    top = affinity.affine_transform(part.plan, [*m.ravel(), *shift])
    sides = []
    for foot, head in zip(
        (part.plan.exterior, *part.plan.interiors), (top.exterior, *top.interiors), strict=True
    ):
        a, b = shapely.get_coordinates(foot), shapely.get_coordinates(head)
        quads = [Polygon([a[i], a[i + 1], b[i + 1], b[i]]) for i in range(len(a) - 1)]
        sides += [q.buffer(0) for q in quads]
    union = unary_union([part.plan, top, *(q for q in sides if q.area > 0)])
    assert isinstance(union, Polygon)
    return union


def make_scan(
    parts: Sequence[Part] = (),
    *,
    cards: Sequence[GlassCard] = (GlassCard(),),
    glass_mm: tuple[float, float] = (210.0, 297.0),
    dpi: tuple[float, float] = (300.0, 300.0),
    stated_dpi: tuple[float, float] | None = None,
    turn_deg: float = 0.0,
    shear: float = 0.0,
    corner_mm: tuple[float, float] = (-8.0, -14.0),
    path_mm: float | None = None,
    flaws: Flaws | None = None,
) -> Scan:
    """Render a scan.

    Parameters
    ----------
    dpi, stated_dpi
        The scanner's true resolution along rows and columns, and what the file says of it.
    path_mm
        Optical path of the lens, along whose line the picture's rows lie; None: no perspective, as
        with a lens array.
    """
    flaws = flaws or Flaws()
    rng = np.random.default_rng(flaws.seed)
    plane = true_map(glass_mm, dpi, turn_deg=turn_deg, shear=shear, corner_mm=corner_mm)
    w, h = plane.size_px
    picture = np.full((h, w, 3), flaws.lid, np.float32)
    for card in cards:
        left, above, right, below = WHITE_MM
        paper = box(-left, -below, BOARD_MM[0] + right, BOARD_MM[1] + above)
        _paint(picture, plane, card.placed(paper), (0.80, 0.80, 0.80))
        for shape in card_shapes(card.number):
            _paint(picture, plane, card.placed(shape), (0.04, 0.04, 0.04))
    across = np.linalg.inv(plane.to_px[:, :2])[:, 0]
    across /= np.linalg.norm(across)
    middle = plane.to_sheet([[(w - 1) / 2, (h - 1) / 2]])[0]
    seen = tuple(seen_from_below(p, across, middle, path_mm) for p in parts)
    px_mm = dpi[0] / INCH_MM
    for shape in seen:
        _shade(picture, plane, shape, flaws, px_mm)
    for part, shape in zip(parts, seen, strict=True):
        _paint(picture, plane, shape, FINISHES[part.finish], rng)
    picture = cv2.GaussianBlur(picture, (0, 0), flaws.blur_px)
    values = encode_srgb(picture) + rng.normal(0, flaws.noise_dn, picture.shape)
    pixels = np.clip(np.round(values), 0, 255).astype(np.uint8)
    return Scan(pixels, plane, tuple(parts), stated_dpi or dpi, seen)


def _paint(
    picture: NDArray[np.float32],
    plane: ScanMap,
    shape: Polygon,
    colour: tuple[float, float, float],
    rng: np.random.Generator | None = None,
) -> None:
    rows, cols, cover = _cover_window(plane, shape, oversampling=FINE)  # type: ignore[arg-type]
    paint = np.broadcast_to(np.asarray(colour, np.float32), (*cover.shape, 3)).copy()
    if rng is not None and cover.size:  # brushed metal: light and dark over some millimetres
        tone = cv2.GaussianBlur(rng.standard_normal(cover.shape).astype(np.float32), (0, 0), 12)
        paint *= np.exp(0.15 * tone / max(float(tone.std()), 1e-6))[..., None]
    part = picture[rows, cols]
    part += cover[..., None] * (paint - part)


def _shade(
    picture: NDArray[np.float32], plane: ScanMap, shape: Polygon, flaws: Flaws, px_mm: float
) -> None:
    """The lamp runs on one side of the sensor: past a part the lid is darker, along the travel."""
    rows, cols, cover = _cover_window(
        plane,
        shape.buffer(3 * flaws.shade_mm),
        oversampling=1,  # type: ignore[arg-type]
    )
    if not cover.size:
        return
    own = np.zeros(picture.shape[:2], np.float32)
    r, c, exact = _cover_window(plane, shape, oversampling=2)  # type: ignore[arg-type]
    own[r, c] = exact
    reach = flaws.shade_mm * px_mm
    moved = np.roll(own, round(reach), axis=0)[rows, cols]
    soft = cv2.GaussianBlur(moved, (0, 0), reach / 2)
    picture[rows, cols] *= (1 - flaws.shade * soft)[..., None]
