"""Simple solids with exact silhouettes, and lays of them seen by any number of cameras.

A tool is a union of convex pieces, each given by its corners. A convex piece seen by a camera and
cut with z = 0 along the rays is the convex hull of its projected corners, and seen straight down
the hull of its corners' plan; so silhouettes and outline of the tool are exact unions of hulls.
Round pieces have 64 sides; the figure is then exact for the 64-sided piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import MultiPoint, Polygon

from tests.parallax.multi_view.lays import Array, Lay, TrueTool, silhouette
from tracer.geometry.rings import largest_polygon
from tracer.model.view import View

Piece = Array  # (n, 3) corners
SIDES = 64


def ring(radius_mm: float, sides: int = SIDES) -> Array:
    angle = 2 * np.pi * np.arange(sides) / sides
    return radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def slab(plan: Array, low_mm: float, high_mm: float, shrink: float = 1.0) -> Piece:
    """A plan (n, 2) between two heights; the top is the plan scaled about its middle."""
    plan = np.asarray(plan, float)
    top = plan.mean(axis=0) + shrink * (plan - plan.mean(axis=0))
    return np.vstack(
        [
            np.column_stack([plan, np.full(len(plan), low_mm)]),
            np.column_stack([top, np.full(len(top), high_mm)]),
        ]
    )


def box(x0: float, y0: float, x1: float, y1: float, low: float, high: float) -> Piece:
    return slab(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), low, high)


def bar(x0: float, x1: float, y: float, z: float, radius_mm: float, end_mm: float = -1.0) -> Piece:
    """A round bar along x at height z, tapering to another radius where one is given."""
    end = radius_mm if end_mm < 0 else end_mm
    one, other = ring(radius_mm), ring(end)
    return np.vstack(
        [
            np.column_stack([np.full(SIDES, x0), y + one[:, 0], z + one[:, 1]]),
            np.column_stack([np.full(SIDES, x1), y + other[:, 0], z + other[:, 1]]),
        ]
    )


def plate_with_hole(length: float, width: float, hole: float, high: float) -> list[Piece]:
    """A flat bar with a round hole near one end, of convex pieces that overlap a little."""
    middle = -length / 2 + width / 2
    shift = np.array([middle, 0.0])
    pieces = [box(middle + hole, -width / 2, length / 2, width / 2, 0, high)]
    inner, outer = ring(hole), ring(width / 2)
    for k in range(SIDES):
        sector = np.vstack([inner[[k, (k + 1) % SIDES]], outer[[(k + 1) % SIDES, k]]])
        if sector[:, 0].max() < hole * 1.2:
            pieces.append(slab(sector + shift, 0, high))
    for side in (-1, 1):
        pieces.append(
            box(
                middle,
                min(side * hole, side * width / 2),
                middle + hole * 1.5,
                max(side * hole, side * width / 2),
                0,
                high,
            )
        )
    k = np.flatnonzero(inner[:, 0] >= 0)
    for a, b in pairwise(k):
        if b == a + 1:
            corners = np.vstack(
                [inner[[a, b]], [[hole * 1.5, inner[b, 1]], [hole * 1.5, inner[a, 1]]]]
            )
            pieces.append(slab(corners + shift, 0, high))
    corners = np.array([inner[-1], inner[0], [hole * 1.5, inner[0, 1]], [hole * 1.5, inner[-1, 1]]])
    pieces.append(slab(corners + shift, 0, high))
    return pieces


#: what lies on the bench of the workshop, each about its own middle, and its height
TOOLS: dict[str, tuple[list[Piece], float]] = {
    "block": ([box(-50, -20, 50, 20, 0, 35)], 35.0),
    "tub": ([slab(ring(38), 0, 62, 0.85)], 62.0),
    "driver": ([bar(-90, 0, 0, 15, 14, 11), bar(-2, 95, 0, 15, 3)], 29.0),
    "wedge": ([np.vstack([box(-60, -25, 60, 25, 0, 4), box(-60, -25, -40, 25, 0, 40)])], 40.0),
    "torch": ([bar(-80, 20, 0, 16, 16), bar(15, 50, 0, 16, 16, 27), bar(49, 62, 0, 16, 27)], 43.0),
    "sander": (
        [box(-70, -45, 70, 45, 0, 12), slab(ring(30), 12, 75, 0.9), bar(0, 80, 0, 62, 18)],
        80.0,
    ),
    "drill": (
        [
            box(-75, -35, 5, 35, 0, 40),
            bar(-70, 75, 55, 34, 28, 26),
            bar(74, 100, 55, 34, 14, 9),
            np.vstack([box(-40, 15, 0, 20, 8, 34), box(-35, 50, 5, 55, 8, 34)]),
        ],
        62.0,
    ),
    "spanner": (plate_with_hole(160, 24, 8, 9), 9.0),
}


def turned(piece: Piece, angle_rad: float, x_mm: float, y_mm: float) -> Piece:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    plan = piece[:, :2] @ np.array([[c, s], [-s, c]]) + [x_mm, y_mm]
    return np.column_stack([plan, piece[:, 2]])


def seen(pieces: Sequence[Piece], centre_mm: Array | None) -> Polygon:
    """Exact silhouette on z = 0 from a camera; straight down without one."""
    hulls = []
    for piece in pieces:
        flat = piece[:, :2]
        if centre_mm is not None:
            u = piece[:, 2:] / (centre_mm[2] - piece[:, 2:])
            flat = flat + u * (flat - centre_mm[:2])
        hulls.append(MultiPoint(flat).convex_hull.buffer(1e-4))
    return largest_polygon(shapely.union_all(hulls))


def camera(name: str, x: float, y: float, high: float, aim: Array, focal_px: float) -> View:
    """A camera over (x, y), aimed at a point of the sheet, its right side along the sheet's x."""
    centre = np.array([x, y, high])
    ahead = np.append(aim, 0.0) - centre
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    turn = np.vstack([right, down, ahead])
    matrix = np.array([[focal_px, 0, 2015.5], [0, focal_px, 1511.5], [0, 0, 1]])
    return View(name, (4032, 3024), matrix, np.zeros(5), turn, -turn @ centre)


#: places of the camera as shares of the lay's width and depth
ROW_2 = ((-0.35, 0.0), (0.35, 0.0))
ROW_3 = ((0.0, 0.0), (-0.35, 0.0), (0.35, 0.0))
AROUND_4 = ((0.0, 0.0), (-0.4, -0.4), (0.4, -0.4), (0.0, 0.5))
AROUND_5 = ((0.0, 0.0), (-0.4, -0.4), (0.4, -0.4), (-0.4, 0.4), (0.4, 0.4))


def bench_lay(
    places: Sequence[tuple[float, float]],
    *,
    width_mm: float = 800.0,
    depth_mm: float = 440.0,
    high_mm: float = 1500.0,
    seed: int = 1,
    names: Sequence[str] = tuple(TOOLS),
) -> Lay:
    """The tools in two rows, turned at random, seen from the given places."""
    views = tuple(
        camera(f"photo-{k + 1}", width_mm * x, depth_mm * y, high_mm, np.zeros(2), 3028.0)
        for k, (x, y) in enumerate(places)
    )
    placed = placed_tools(names, width_mm=width_mm, depth_mm=depth_mm, seed=seed)
    return lay_of(
        {name: (pieces, TOOLS[name][1]) for name, pieces in zip(names, placed, strict=True)}, views
    )


def placed_tools(
    names: Sequence[str], *, width_mm: float = 800.0, depth_mm: float = 440.0, seed: int = 1
) -> list[list[Piece]]:
    """The pieces of each tool where `bench_lay` puts it."""
    rng = np.random.default_rng(seed)
    columns = (len(names) + 1) // 2
    placed = []
    for k, name in enumerate(names):
        x = ((k % columns) + 0.5) / columns * width_mm - width_mm / 2
        y = (0.5 if k < columns else -0.5) * depth_mm * 0.55
        angle = rng.uniform(0, 2 * np.pi)
        placed.append([turned(p, angle, x, y) for p in TOOLS[name][0]])
    return placed


def lay_of(tools: dict[str, tuple[list[Piece], float]], views: Sequence[View]) -> Lay:
    """Tools, given by pieces and height, as the views see them."""
    found = tuple(
        tuple(
            silhouette(f"S{k + 1:02d}", view.photo_id, seen(pieces, view.centre_mm), sigma_mm=0.1)
            for k, (pieces, _) in enumerate(tools.values())
        )
        for view in views
    )
    true = tuple(TrueTool(name, seen(p, None), high) for name, (p, high) in tools.items())
    return Lay(tuple(views), found, true)
