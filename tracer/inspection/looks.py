"""What a photo shows in and around one pocket, in figures.

Everything is looked at on a grid in the plane of the face. From where the camera stands, a cell of
it shows, if the pocket is empty, its floor, its wall or the face; if the tool is in place, the tool
wherever that stands in the way. Where both would show the same nothing is learned; elsewhere colour
against the face decides between floor and tool, and, beside the pocket, between face and a tool
that stands out. Light falls out by comparing with the face; shade is allowed for.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import polygons_in
from tracer.inspection.camera import PanelCamera
from tracer.inspection.light import FLOOR, FaceColour, Floats, sampled, split
from tracer.inspection.pattern import beside_pockets, floor_rgb, linear_rgb, opening_of
from tracer.model.panel import Panel, PanelPocket, PlyRole

__all__ = [
    "Cells",
    "Looks",
    "PocketCells",
    "cells_of",
    "floor_over_face",
    "looks_of",
    "of_one_colour",
    "pocket_cells",
    "tone_of_floors",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP_MM, AROUND_MM = 1.0, 16.0
#: masks keep off predicted edges by this: registration, a tool shoved in its gap
SAFE_MM = 1.5
#: thickness of a tool whose height nobody typed: common practice, no source
UNKNOWN_MM = 15.0
TONE_SIGMA = 0.16
#: light on a floor as a share of that on the face
DARKEST, BRIGHTEST = 0.07, 1.7
#: tone (logarithm) of a strong colour, and how far its cells differ when it is one
STRONG, EVEN = 0.8, 0.25
#: linear light above which a channel counts as burnt out
CLIPPED = 0.9


@dataclass(frozen=True)
class Looks:
    """Figures of one pocket in one photo; shares are 0 to 1.

    Attributes
    ----------
    floor
        How much of where tool and floor would differ looks like floor.
    floor_core
        The same away from the edges.
    floor_blob, other_blob
        Largest connected part that looks like floor, and that does not.
    tone_off
        Median difference of tone from the floor's.
    shade
        Median light there as a share of the floor's in full light (logarithm).
    shade_spread
        Its quartiles' distance.
    texture
        Fine contrast there.
    face_there
        How much of it looks like face.
    gap_floor
        How much looks like floor where even the full pocket shows it.
    lean
        How much of the face that a standing tool would hide looks like face; 0.5 where none would.
    lean_cells
        On how many cells that rests (logarithm).
    beyond, beyond_blob
        How much of the face right beside the opening, where the tool itself does not stand in the
        way, is hidden by something, and the largest connected part of that (logarithm of cells).
    cover
        How much of the bare face around is hidden by something.
    dark
        Share that is too dark to say.
    contrast, brighter
        How far floor and face differ in tone and in brightness (logarithm), as typed.
    pixels
        Logarithm of the pixels that all of this rests on.
    """

    floor: float
    floor_core: float
    floor_blob: float
    other_blob: float
    tone_off: float
    shade: float
    shade_spread: float
    texture: float
    face_there: float
    gap_floor: float
    lean: float
    lean_cells: float
    beyond: float
    beyond_blob: float
    cover: float
    dark: float
    contrast: float
    brighter: float
    pixels: float

    def vector(self) -> Array:
        """All figures in their order."""
        return np.array(astuple(self), np.float64)

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Names of the figures in their order."""
        return tuple(f.name for f in fields(cls))


@dataclass(frozen=True, eq=False)
class Cells:
    """Masks over the grid of one pocket, (rows, columns), row 0 at the bottom.

    ``tool`` cells show the tool or the floor, ``core`` those away from edges, ``gap`` the floor
    either way, ``lean`` a standing tool or the face, ``ring`` bare face, ``beside``
    its part near the opening.
    """

    x0_mm: float
    y0_mm: float
    tool: Mask
    core: Mask
    gap: Mask
    lean: Mask
    ring: Mask
    beside: Mask

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
    inside, proud, others, hidden = _tool_masks(panel, index, grid, centre_mm)
    openings = grid.mask(opening) | others
    tool = _near(floor, -1.0) & _near(inside, -1.0)
    deep = cv2.distanceTransform(np.pad(tool, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = tool & (deep > 0.35 * deep.max()) if tool.any() else tool
    gap = floor & ~_near(inside, SAFE_MM)
    wide = _near(openings, SAFE_MM)
    lean = _near(proud, -SAFE_MM) & ~wide
    on_panel = grid.mask(panel.shape.buffer(-2.0))
    ring = on_panel & ~_near(openings, 3.0) & ~_near(hidden | proud, 4.0)
    beside = on_panel & _near(grid.mask(opening), 8.0) & ~_near(openings, 2.0)
    beside &= ~_near(hidden | proud, 3.0)
    return Cells(grid.x0, grid.y0, tool, core, gap, lean & ~hidden & on_panel, ring, beside)


def _tool_masks(
    panel: Panel, index: int, grid: _Grid, centre_mm: Array
) -> tuple[Mask, Mask, Mask, Mask]:
    """Where the tool stands in the way, in the pocket and beyond it; other openings and tools."""
    pocket = panel.pockets[index]
    inside = proud = np.zeros(grid.shape, bool)
    top = _thickness(pocket) - pocket.depth_mm
    for z in np.linspace(-pocket.depth_mm, max(top, -pocket.depth_mm), 6):
        # rounded tools are narrower near their top
        share = (z + pocket.depth_mm) / max(_thickness(pocket), 1e-6)
        seen = grid.mask(
            _seen_at_face(pocket.outline.buffer(-1.5 * max(share - 0.6, 0)), z, centre_mm)
        )
        inside = inside | seen
        if z > 0:
            proud = proud | seen
    window = (grid.x0, grid.y0, grid.x0 + grid.shape[1], grid.y0 + grid.shape[0])
    others = np.zeros(grid.shape, bool)
    hidden = np.zeros(grid.shape, bool)
    for number, other in enumerate(panel.pockets):
        if number == index or not _touch(other.region.bounds, window, 120.0):
            continue
        others |= grid.mask(opening_of(other))
        for z in (0.0, max(_thickness(other) - other.depth_mm, 0.0)):
            hidden |= grid.mask(_seen_at_face(other.outline, z, centre_mm))
    for region in beside_pockets(panel):
        others |= grid.mask(region)
    return inside, proud, others, hidden


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


def floor_over_face(panel: Panel, pocket: PanelPocket) -> Array:
    """Linear colour (3,) of an empty pocket's floor over that of the face, as typed."""
    face = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)
    return np.asarray((linear_rgb(floor_rgb(panel, pocket)) + 1e-3) / (linear_rgb(face) + 1e-3))


def compared_with_floor(read: PocketCells, over_face: Array) -> tuple[Array, Array]:
    """Difference of tone from the floor's, and light as a share of the floor's in full light."""
    floor = np.maximum(np.exp(read.face_log) - FLOOR, 2e-4) * over_face
    light = np.maximum(np.exp(read.log_rgb) - FLOOR, 1e-5)
    # a channel at its white end says only that there was at least so much
    whole = np.where(light < CLIPPED, 1.0, 1e-3)
    shade = (whole * light).sum(axis=2) / (whole * floor).sum(axis=2)
    expected = np.log(np.minimum(np.clip(shade, 0.01, 3.0)[..., None] * floor, 1.0) + FLOOR)
    tone, _ = split(read.log_rgb - expected)
    return np.linalg.norm(tone, axis=2), shade


def tone_of_floors(reads: list[PocketCells], over_face: Array) -> Array:
    """The floors' colour over the face's as this photo shows it, near what was typed.

    Typed colours are off by some per cent. What of the pockets' cells comes near the typed one is
    taken for floor; its median is the floor.
    """
    found = []
    for read in reads:
        tone, shade = compared_with_floor(read, over_face)
        ok: Mask = (
            (read.cells.tool | read.cells.gap)
            & (tone < 0.4)
            & (shade > 0.12)
            & (shade < 1.5)
            & (read.log_rgb < np.log(CLIPPED)).all(axis=2)
        )
        if ok.any():
            floor = np.maximum(np.exp(read.face_log[ok]) - FLOOR, 2e-4) * over_face
            light = np.maximum(np.exp(read.log_rgb[ok]) - FLOOR, 1e-5)
            found.append(split(np.log(light / floor))[0])
    if not found or sum(map(len, found)) < 200:
        return over_face
    return np.asarray(over_face * np.exp(np.median(np.concatenate(found), axis=0)))


def of_one_colour(read: PocketCells, panel: Panel) -> bool:
    """Whether a pocket is filled evenly by one strong colour, as a floor is, and some tools are.

    The photo's colours are taken back to the foam's by the face, whose colour is typed.
    """
    cells = read.cells.tool & np.isfinite(read.unlike)
    if not cells.any():
        return False
    face = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)
    tone, _ = split(read.ratio[cells] + np.log(linear_rgb(face) + 1e-3))
    middle = np.median(tone, axis=0)
    spread = float(np.median(np.linalg.norm(tone - middle, axis=1)))
    return float(np.linalg.norm(middle)) > STRONG and spread < EVEN


def _largest(mask: Mask, of: int) -> float:
    if not mask.any() or not of:
        return 0.0
    stats = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)[2]
    return float(stats[1:, cv2.CC_STAT_AREA].max()) / of


def looks_of(read: PocketCells, over_face: Array, tone_sigma: float) -> Looks | None:
    """The figures of one pocket; None where too little of it is in the picture."""
    cells = read.cells
    seen = np.isfinite(read.unlike)
    tool, core, gap = cells.tool & seen, cells.core & seen, cells.gap & seen
    lean, ring, beside = cells.lean & seen, cells.ring & seen, cells.beside & seen
    if tool.sum() < 25 or core.sum() < 8:
        return None
    tone, shade = compared_with_floor(read, over_face)
    log_shade = np.log(np.clip(shade, 0.01, 5.0))
    soft = np.clip((log_shade - np.log(DARKEST)) / 0.7, 0, 1) * np.clip(
        (np.log(BRIGHTEST) - log_shade) / 0.3, 0, 1
    )
    like = np.exp(-0.5 * (tone / TONE_SIGMA) ** 2) * soft
    count = int(tool.sum())
    facelike = read.unlike < 3.0
    bright = np.nan_to_num(read.log_rgb.mean(axis=2), nan=float(np.nanmean(read.log_rgb[tool])))
    fine = bright - cv2.GaussianBlur(bright, (0, 0), 3.0)
    spread = np.percentile(log_shade[tool], [25, 75])
    # shade on the face is not cover: what is face in tone and darker stays face
    tone_face, bright_face = split(read.ratio)
    strange: Mask = np.linalg.norm(tone_face, axis=2) > max(0.25, 4 * tone_sigma)
    hidden: Mask = strange | (bright_face > 0.6) | (bright_face < -1.8)
    floors = np.log(over_face)
    return Looks(
        floor=float(like[tool].mean()),
        floor_core=float(like[core].mean()),
        floor_blob=_largest(tool & (like > 0.5), count),
        other_blob=_largest(tool & (like < 0.25), count),
        tone_off=float(np.median(tone[tool])),
        shade=float(np.median(log_shade[tool])),
        shade_spread=float(spread[1] - spread[0]),
        texture=float(np.median(np.abs(fine[tool]))),
        face_there=float(facelike[tool].mean()),
        gap_floor=float(like[gap].mean()) if gap.sum() > 15 else 0.5,
        lean=float(facelike[lean].mean()) if lean.sum() > 15 else 0.5,
        lean_cells=float(np.log1p(lean.sum())),
        beyond=float(hidden[beside].mean()) if beside.sum() > 30 else 0.0,
        beyond_blob=float(np.log1p(_largest(beside & hidden, 1))),
        cover=float(hidden[ring].mean()) if ring.sum() > 30 else 0.0,
        dark=float((read.log_rgb.mean(axis=2)[tool] < np.log(3 * FLOOR)).mean()),
        contrast=float(np.linalg.norm(split(floors)[0])),
        brighter=float(floors.mean()),
        pixels=float(np.log(max(count * read.px_per_mm**2, 1))),
    )
