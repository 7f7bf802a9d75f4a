"""What each spot in and around a pocket would show a camera: floor, wall, face or tool.

Everything is looked at on a grid in the plane of the face. From where the camera stands, a cell of
it shows, if the pocket is empty, its floor, its wall or the face; if the tool is in place, the tool
wherever that stands in the way: a tool seen aslant leans over its pocket's edge by its height.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import polygons_in
from tracer.inspection.camera import PanelCamera
from tracer.inspection.light import FaceColour, Floats, sampled
from tracer.inspection.pattern import beside_pockets, opening_of
from tracer.model.panel import Label, Panel, PanelPocket

__all__ = ["CLIPPED", "LEAST_FLOOR", "Cells", "PocketCells", "cells_of", "pocket_cells"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP_MM, AROUND_MM = 1.0, 16.0
#: masks keep off predicted edges by this: registration, a tool shoved in its gap
SAFE_MM = 1.5
#: linear light above which a channel counts as burnt out
CLIPPED = 0.9
#: cells that must show the floor, or the tool over it, for anything to be said
LEAST_FLOOR = 25
#: how far the silhouettes of two heights may lie apart
LEVEL_MM = 2.0
#: room for fingers this far from the pocket is looked at
NOTCH_MM = 12.0
#: thickness of a tool whose height nobody typed: common practice, no source
UNKNOWN_MM = 15.0
#: a typed height is off by this share: a tool may lean so much farther over the face
HEIGHT_OFF = 0.1
#: a letter is hardly wider than it is high; letters hang below their line; stuck on by hand
LETTER, BELOW, LABEL_OFF_MM = 1.0, 0.4, 1.5


@dataclass(frozen=True, eq=False)
class Cells:
    """Masks over the grid of one pocket, (rows, columns), row 0 at the bottom.

    ``opening`` is the pocket at the face. ``tool`` cells show the tool or the floor, ``core`` those
    away from edges, ``gap`` the floor either way, ``wall`` the tool or the foam's wall, ``lean`` a
    standing tool or the face, ``ring`` bare face, ``beside`` its part near the opening, ``edge``
    the same from nearer on, as near as the drawing is sure to lie, ``brink`` the innermost of that,
    ``notch`` room for fingers that nothing hides.
    """

    x0_mm: float
    y0_mm: float
    opening: Mask
    tool: Mask
    core: Mask
    gap: Mask
    wall: Mask
    lean: Mask
    ring: Mask
    beside: Mask
    edge: Mask
    brink: Mask
    notch: Mask

    def points_mm(self) -> Array:
        """Centres (rows * columns, 2) of all cells."""
        rows, columns = self.tool.shape
        x, y = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
        return np.column_stack([x.ravel(), y.ravel()]) * STEP_MM + [self.x0_mm, self.y0_mm]


@dataclass(frozen=True, eq=False)
class PocketCells:
    """Cells of a pocket with what the photo shows in them.

    ``log_rgb`` (rows, columns, 3) is NaN outside the picture; ``ratio`` the same over the face.
    """

    cells: Cells
    log_rgb: Array
    ratio: Array
    face_log: Array
    unlike: Array
    px_per_mm: float
    inside: float

    def burnt(self) -> float:
        """Share of where tool and floor would differ that is white in all channels."""
        light = self.log_rgb[self.cells.tool]
        return float((light > np.log(CLIPPED)).all(axis=1).mean()) if len(light) else 0.0

    def hides_floor(self) -> bool:
        """Whether the pocket is in the picture and shows next to nothing of its floor."""
        seen = np.isfinite(self.unlike[self.cells.opening])
        return bool(self.cells.tool.sum() < LEAST_FLOOR and seen.size and seen.mean() > 0.9)


def _thickness(pocket: PanelPocket) -> float:
    return pocket.height_mm if np.isfinite(pocket.height_mm) else UNKNOWN_MM


def _seen_at_face(shape: BaseGeometry, z_mm: float, centre_mm: Array) -> BaseGeometry:
    """A shape at height z as the camera sees it in the plane of the face."""
    k = centre_mm[2] / (centre_mm[2] - z_mm)
    moved = affinity.scale(shape, k, k, origin=(0, 0))
    return affinity.translate(moved, centre_mm[0] * (1 - k), centre_mm[1] * (1 - k))


class _Grid:
    def __init__(self, bounds: tuple[float, float, float, float]) -> None:
        x0, y0, x1, y1 = bounds
        self.x0, self.y0 = x0 - AROUND_MM, y0 - AROUND_MM
        self.shape = (
            int(np.ceil((y1 - y0 + 2 * AROUND_MM) / STEP_MM)),
            int(np.ceil((x1 - x0 + 2 * AROUND_MM) / STEP_MM)),
        )

    def mask(self, shape: BaseGeometry) -> Mask:
        out = np.zeros(self.shape, np.uint8)
        for piece in polygons_in(shape):
            for ring, value in [(piece.exterior, 1), *((h, 0) for h in piece.interiors)]:
                points = np.asarray(ring.coords)[:, :2] - [self.x0, self.y0]
                fixed = np.round((points / STEP_MM - 0.5) * 256).astype(np.int32)
                cv2.fillPoly(out, [fixed], value, cv2.LINE_8, 8)
        return out.astype(bool)


def _near(mask: Mask, mm: float) -> Mask:
    """A mask grown by some mm; shrunk where negative."""
    if not mask.any():
        return mask
    cells = abs(mm) / STEP_MM
    inner = mask if mm < 0 else ~mask
    far = cv2.distanceTransform(
        np.pad(inner, 1, constant_values=mm > 0).astype(np.uint8), cv2.DIST_L2, 5
    )[1:-1, 1:-1]
    return np.asarray(far > cells if mm < 0 else far <= cells)


def cells_of(panel: Panel, index: int, centre_mm: Array) -> Cells:
    """What each cell around a pocket would show to a camera at ``centre_mm``."""
    pocket = panel.pockets[index]
    opening = opening_of(pocket)
    grid = _Grid(opening.bounds)
    region = grid.mask(pocket.region)
    floor = region & grid.mask(_seen_at_face(pocket.region, -pocket.depth_mm, centre_mm))
    inside, proud, reach, others, hidden = _tool_masks(panel, index, grid, centre_mm)
    openings = grid.mask(opening) | others
    tool = _near(floor, -1.0) & _near(inside, -1.0)
    deep = cv2.distanceTransform(np.pad(tool, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = tool & (deep > 0.35 * deep.max()) if tool.any() else tool
    gap = floor & ~_near(inside, SAFE_MM)
    wall = _near(region, -1.0) & ~_near(floor, SAFE_MM) & _near(inside, -1.0)
    lean = _near(proud, -SAFE_MM) & ~_near(openings, SAFE_MM)
    standing = hidden | reach
    floors = _mask_of((p.region for p in panel.pockets), grid)
    bare = grid.mask(panel.shape.buffer(-2.0)) & ~_letters(panel, grid)
    ring = bare & ~_near(openings, 3.0) & ~_near(standing, 4.0)
    beside = bare & _near(grid.mask(opening), 8.0) & ~_near(openings, 2.0) & ~_near(standing, 3.0)
    edge = bare & _near(grid.mask(opening), 8.0) & ~_near(openings | reach, SAFE_MM)
    edge &= ~_near(hidden, 3.0)
    brink = edge & _near(grid.mask(opening) | reach, SAFE_MM + 1.0)
    # a slot shared by several tools belongs to the first of them
    room = _mask_of([n.region for p in panel.pockets for n in p.notches], grid)
    notch = _near(room, -SAFE_MM) & ~_near(floors, SAFE_MM) & ~_near(standing | inside, 3.0)
    notch &= _near(region, NOTCH_MM)
    lean &= ~hidden & bare
    return Cells(
        grid.x0, grid.y0, region, tool, core, gap, wall, lean, ring, beside, edge, brink, notch
    )  # fmt: skip


def _mask_of(shapes: Iterable[BaseGeometry], grid: _Grid) -> Mask:
    out = np.zeros(grid.shape, bool)
    for shape in shapes:
        out |= grid.mask(shape)
    return out


def _letters(panel: Panel, grid: _Grid) -> Mask:
    """Cells where a label may stand: letters are no cover."""
    return _mask_of((_letters_mm(p.label) for p in panel.pockets if p.label is not None), grid)


def _letters_mm(label: Label) -> BaseGeometry:
    cap = label.cap_height_mm
    x0, y0 = label.x_mm, label.y_mm
    room = box(x0, y0 - BELOW * cap, x0 + LETTER * cap * len(label.text), y0 + cap)
    turned = affinity.rotate(room, label.angle_rad, origin=(x0, y0), use_radians=True)
    return turned.buffer(LABEL_OFF_MM, join_style="mitre")


def _tool_masks(
    panel: Panel, index: int, grid: _Grid, centre_mm: Array
) -> tuple[Mask, Mask, Mask, Mask, Mask]:
    """Where the tool stands in the way: in the pocket, beyond it, and at most; other openings and
    other tools."""
    pocket = panel.pockets[index]
    inside = proud = reach = np.zeros(grid.shape, bool)
    top = _thickness(pocket) - pocket.depth_mm
    for z in np.linspace(-pocket.depth_mm, max(top, -pocket.depth_mm), _levels(pocket, centre_mm)):
        # rounded tools are narrower near their top
        share = (z + pocket.depth_mm) / max(_thickness(pocket), 1e-6)
        seen = grid.mask(
            _seen_at_face(pocket.outline.buffer(-1.5 * max(share - 0.6, 0)), z, centre_mm)
        )
        inside = inside | seen
        if z > 0:
            proud = proud | seen
            most = z + HEIGHT_OFF * _thickness(pocket)
            reach = reach | seen | grid.mask(_seen_at_face(pocket.outline, most, centre_mm))
    window = (grid.x0, grid.y0, grid.x0 + grid.shape[1], grid.y0 + grid.shape[0])
    others = np.zeros(grid.shape, bool)
    hidden = np.zeros(grid.shape, bool)
    for number, other in enumerate(panel.pockets):
        if number == index or not _touch(other.region.bounds, window, 120.0):
            continue
        others |= grid.mask(opening_of(other))
        top = _thickness(other) * (1 + HEIGHT_OFF) - other.depth_mm
        for z in (0.0, max(top, 0.0)):
            hidden |= grid.mask(_seen_at_face(other.outline, z, centre_mm))
    for region in beside_pockets(panel):
        others |= grid.mask(region)
    return inside, proud, reach, others, hidden


def _levels(pocket: PanelPocket, centre_mm: Array) -> int:
    """Heights at which a tool is drawn, so near that its silhouettes leave no gaps."""
    aside = np.hypot(*(centre_mm[:2] - np.array(pocket.outline.centroid.coords[0])))
    return max(6, int(np.ceil(_thickness(pocket) * aside / centre_mm[2] / LEVEL_MM)) + 1)


def _touch(a: tuple[float, ...], b: tuple[float, ...], off: float) -> bool:
    return a[0] - off < b[2] and b[0] < a[2] + off and a[1] - off < b[3] and b[1] < a[3] + off


def pocket_cells(
    panel: Panel, index: int, picture: Floats, camera: PanelCamera, face: FaceColour
) -> PocketCells:
    """Read one pocket's cells from a working picture."""
    cells = cells_of(panel, index, camera.view("").centre_mm)
    points = cells.points_mm()
    px = camera.to_photo(points)
    rows, columns = cells.tool.shape
    log_rgb = sampled(picture, px)
    seen: Mask = np.asarray(np.isfinite(log_rgb).all(axis=1))
    face_log = face.at(points)
    unlike = np.where(seen, face.unlike(np.nan_to_num(log_rgb), points), np.nan)
    grid = px.reshape(rows, columns, 2)
    middle = grid[rows // 2, columns // 2] - grid[rows // 2, columns // 2 - 1]
    wanted = cells.tool.ravel()
    return PocketCells(
        cells,
        log_rgb.reshape(rows, columns, 3),
        (log_rgb - face_log).reshape(rows, columns, 3),
        face_log.reshape(rows, columns, 3),
        unlike.reshape(rows, columns),
        float(np.linalg.norm(middle)) / STEP_MM,
        float(seen[wanted].mean()) if wanted.any() else 0.0,
    )
