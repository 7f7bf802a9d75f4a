"""What the test renderer puts into a picture: tools, cards, grounds, finishes, light, flaws."""

from __future__ import annotations

from dataclasses import dataclass, field

from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import unary_union

#: name -> (linear reflectance, texture kind, texture strength as standard deviation of the log)
GROUNDS: dict[str, tuple[tuple[float, float, float], str, float]] = {
    "white paper": ((0.80, 0.80, 0.78), "fine", 0.008),
    "grey board": ((0.42, 0.42, 0.43), "fine", 0.03),
    "mid-grey paint": ((0.22, 0.22, 0.22), "clouds", 0.04),
    "kraft": ((0.42, 0.27, 0.13), "fine", 0.06),
    "plywood": ((0.60, 0.42, 0.25), "grain", 0.08),
    "oak": ((0.38, 0.24, 0.13), "grain", 0.15),
    "stained bench": ((0.22, 0.09, 0.035), "grain", 0.20),
    "charcoal foam": ((0.035, 0.035, 0.036), "fine", 0.12),
    "black foam": ((0.014, 0.014, 0.015), "fine", 0.12),
    "vinyl": ((0.10, 0.13, 0.20), "fine", 0.02),
    "concrete": ((0.33, 0.32, 0.29), "clouds", 0.10),
    "cutting mat": ((0.03, 0.14, 0.08), "lines", 0.02),
}

LIGHTS = ("window", "lamp", "panels")

#: name -> linear reflectance of a finish; "chrome" mirrors its surroundings instead
FINISHES: dict[str, tuple[float, float, float]] = {
    "black rubber": (0.012, 0.012, 0.012),
    "grey steel": (0.22, 0.22, 0.22),
    "chrome": (0.0, 0.0, 0.0),
    "red": (0.45, 0.02, 0.02),
    "blue": (0.02, 0.07, 0.35),
    "yellow": (0.70, 0.45, 0.02),
    "wood": (0.45, 0.28, 0.14),
    "white": (0.75, 0.75, 0.75),
}


@dataclass(frozen=True)
class Tool:
    """A prism on the sheet: plan outline in mm, height in mm, finish (see `FINISHES`)."""

    plan: Polygon
    height_mm: float = 10.0
    finish: str = "grey steel"


@dataclass(frozen=True)
class Card:
    """A printed card: number, lower left corner of its board, angle of the long side, scale."""

    number: int
    x_mm: float
    y_mm: float
    angle_rad: float = 0.0
    scale: float = 1.0

    def place(self, shape: Polygon) -> Polygon:
        """From the board's own frame (lower left origin, y up, mm as designed) to the sheet."""
        shape = affinity.scale(shape, self.scale, self.scale, origin=(0, 0))
        shape = affinity.rotate(shape, self.angle_rad, origin=(0, 0), use_radians=True)
        return affinity.translate(shape, self.x_mm, self.y_mm)

    @property
    def board_mm(self) -> Polygon:
        """The printed board, 168 x 112 as designed."""
        return self.place(box(0, 0, 168, 112))

    @property
    def paper_mm(self) -> Polygon:
        """The cut card, 184 x 132 as designed: 8 mm of white, 12 mm below."""
        return self.place(box(-8, -12, 176, 120))


#: four cards round a field of about 170 x 330 mm between x = 190 and 520
CARDS = (
    Card(0, 0.0, 0.0),
    Card(1, 540.0, 5.0, 0.03),
    Card(2, -5.0, 280.0, -0.05),
    Card(3, 545.0, 285.0, 0.04),
)


@dataclass(frozen=True)
class Look:
    """Everything about the picture that is not tools and cards."""

    ground: str = "grey board"
    light: str = "window"
    blur_px: float = 0.8
    noise_dn: float = 1.5
    jpeg_quality: int = 92
    exposure: float = 1.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    seed: int = 0
    sheet_mm: Polygon | None = None
    beyond: str = "oak"
    extras: tuple[tuple[Polygon, tuple[float, float, float]], ...] = field(default=())


def spanner(length_mm: float = 150.0, width_mm: float = 12.0) -> Polygon:
    """A ring spanner along x from the origin: shank, ring with a hole, open jaw."""
    ring = Point(0, 0).buffer(width_mm)
    jaw = (
        Point(length_mm, 0)
        .buffer(width_mm)
        .difference(box(length_mm, -0.45 * width_mm, length_mm + 2 * width_mm, 0.45 * width_mm))
    )
    shank = LineString([(0, 0), (length_mm - 0.6 * width_mm, 0)]).buffer(0.4 * width_mm)
    body = unary_union([ring, jaw, shank]).difference(Point(0, 0).buffer(0.55 * width_mm))
    assert isinstance(body, Polygon)
    return body


def driver(length_mm: float = 160.0, width_mm: float = 24.0) -> Polygon:
    """A screwdriver along x from the origin: handle, then a thin blade."""
    handle = box(0, -width_mm / 2, 0.45 * length_mm, width_mm / 2).buffer(-4).buffer(4)
    blade = box(0.4 * length_mm, -3, length_mm, 3)
    body = unary_union([handle, blade])
    assert isinstance(body, Polygon)
    return body


def placed(shape: Polygon, x_mm: float, y_mm: float, angle_deg: float = 0.0) -> Polygon:
    """Turn a shape about the origin, then move it."""
    return affinity.translate(affinity.rotate(shape, angle_deg, origin=(0, 0)), x_mm, y_mm)
