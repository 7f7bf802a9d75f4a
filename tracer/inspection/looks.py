"""What a photo shows in and around one pocket, in figures.

`tracer.inspection.cells` says what each spot would show. Where a full and an empty pocket would
show the same nothing is learned; elsewhere colour against the face decides between floor and tool,
and, beside the pocket, between face and a tool that stands out. Light falls out by comparing with
the face. A floor in the shade of its own wall, under one lamp a tenth as light, keeps its tone:
tone decides, and brightness only where it leaves no tone to see.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.inspection.cells import CLIPPED, LEAST_FLOOR, PocketCells
from tracer.inspection.light import FLOOR, split
from tracer.inspection.pattern import floor_rgb, linear_rgb
from tracer.model.panel import Panel, PanelPocket, PlyRole

__all__ = [
    "Looks",
    "compared_with_floor",
    "floor_over_face",
    "looks_of",
    "not_face",
    "of_one_colour",
    "tone_of_floors",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

TONE_SIGMA = 0.16
#: scatter of linear light in a phone's photo after its file's losses, own choice
NOISE = 0.003
#: light on a floor as a share of that on the face: in the shade of a lamp, and in full light
DARKEST, BRIGHTEST = 0.02, 1.7
#: tone (logarithm) of a strong colour, and how far its cells differ when it is one
STRONG, EVEN = 0.8, 0.25


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
    toned
        How much has the floor's tone, in any light, of what is not too dark to say.
    lack
        Largest patch of floor that is no mere line, where the tool should hide it (logarithm of
        cells).
    foreign
        The same of what has another tone than the floor.
    wall
        How much looks like shaded foam where an empty pocket shows its wall; 0.5 where none would.
    notch
        How much of the room for fingers is hidden by something.
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
    toned: float
    lack: float
    foreign: float
    wall: float
    notch: float
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


def floor_over_face(panel: Panel, pocket: PanelPocket) -> Array:
    """Linear colour (3,) of an empty pocket's floor over that of the face, as typed."""
    face = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)
    return np.asarray((linear_rgb(floor_rgb(panel, pocket)) + 1e-3) / (linear_rgb(face) + 1e-3))


def compared_with_floor(read: PocketCells, over_face: Array) -> tuple[Array, Array]:
    """Difference of tone from the floor's, and light as a share of the floor's in full light."""
    expected, weight, shade = _as_floor(read, over_face)
    off = read.log_rgb - np.log(expected)
    # beside burnt-out channels the light is no longer free
    burnt = (np.exp(read.log_rgb) - FLOOR >= CLIPPED).any(axis=2)
    tone = off - np.where(burnt, 0.0, _weighed(off, weight))[..., None]
    return np.sqrt((weight * tone**2).sum(axis=2)), shade


def _as_floor(read: PocketCells, over_face: Array) -> tuple[Array, Array, Array]:
    """Light of the floor in its shade, how far each channel counts, and the shade.

    A channel at its white end says only that there was at least so much: it bounds the shade from
    below, and counts again where no shade that a floor can have takes it there.
    """
    floor = np.maximum(np.exp(read.face_log) - FLOOR, 2e-4) * over_face
    light = np.maximum(np.exp(read.log_rgb) - FLOOR, 1e-5)
    burnt = light >= CLIPPED
    whole = np.where(burnt, 1e-3, 1.0)
    shade = (whole * light).sum(axis=2) / (whole * floor).sum(axis=2)
    some = burnt.any(axis=2)
    # a channel with hardly any light says little of the tone
    rough = _rough(read, floor + FLOOR)
    told = np.where(burnt, 0.0, 1 / (1 + rough**2))
    by_told = np.exp(_weighed(read.log_rgb - np.log(floor + FLOOR), told))
    least = np.where(burnt, CLIPPED / floor, 0.0).max(axis=2)
    shade = np.where(some, np.maximum(by_told, least), shade)
    most = np.where(some, BRIGHTEST, 3.0)
    expected = np.minimum(np.clip(shade, 0.01, most)[..., None] * floor, 1.0) + FLOOR
    as_bright = burnt & (expected >= CLIPPED)
    weight = np.where(as_bright, 0.0, 1 / (1 + _rough(read, expected) ** 2))
    return expected, weight, shade


def _rough(read: PocketCells, expected: Array) -> Array:
    """Scatter of each channel by noise, of that of tones."""
    return np.asarray(NOISE / (TONE_SIGMA * np.maximum(np.exp(read.log_rgb), expected)))


def _weighed(values: Array, weight: Array) -> Array:
    """Weighted mean over the channels; 0 where none counts."""
    return np.asarray((weight * values).sum(axis=2) / np.maximum(weight.sum(axis=2), 1e-9))


def tone_of_floors(reads: list[PocketCells], over_face: Array) -> Array:
    """The floors' colour over the face's as this photo shows it, near what was typed.

    Typed colours are off by some per cent. What of the pockets' cells comes near the typed one is
    taken for floor; its median is the floor. Burnt out floors take part, else a tool of a like
    colour would be all that is left: what is burnt out in most of them stays as typed.
    """
    found = []
    for read in reads:
        tone, shade = compared_with_floor(read, over_face)
        ok: Mask = (
            (read.cells.tool | read.cells.gap) & (tone < 0.4) & (shade > 0.12) & (shade < 1.5)
        )
        if ok.any():
            expected, weight, _ = (part[ok] for part in _as_floor(read, over_face))
            light = np.maximum(np.exp(read.log_rgb[ok]) - FLOOR, 1e-5)
            off = np.where(weight > 0, np.log(light / (expected - FLOOR)), 0.0)
            found.append(split(off)[0])
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


def not_face(read: PocketCells, tone_sigma: float) -> tuple[Mask, Mask]:
    """Where something else than face is seen, and where its tone alone says so.

    Shade on the face is no cover: what is face in tone and darker stays face.
    """
    tone, _ = compared_with_floor(read, np.ones(3))
    strange: Mask = tone > max(0.25, 4 * tone_sigma)
    bright = read.ratio.mean(axis=2)
    return strange | (bright > 0.6) | (bright < -1.8), strange


def _largest(mask: Mask, of: int) -> float:
    if not mask.any() or not of:
        return 0.0
    stats = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)[2]
    return float(stats[1:, cv2.CC_STAT_AREA].max()) / of


def _share(what: Mask, among: Mask, else_: float) -> float:
    return float(what[among].mean()) if among.sum() > 15 else else_


def _patch(mask: Mask) -> float:
    """Logarithm of the cells of the largest part that is three cells wide."""
    wide = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return float(np.log1p(_largest(wide.astype(bool), 1)))


def looks_of(read: PocketCells, over_face: Array, tone_sigma: float) -> Looks | None:
    """The figures of one pocket; None where too little of it is in the picture."""
    cells = read.cells
    seen = np.isfinite(read.unlike)
    tool, core, gap, wall = (m & seen for m in (cells.tool, cells.core, cells.gap, cells.wall))
    lean, ring, beside = cells.lean & seen, cells.ring & seen, cells.beside & seen
    notch = cells.notch & seen
    if tool.sum() < LEAST_FLOOR or core.sum() < 8:
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
    hidden, strange = not_face(read, tone_sigma)
    bright_face = read.ratio.mean(axis=2)
    dark: Mask = read.log_rgb.mean(axis=2) < np.log(2.5 * FLOOR)
    toned = tone < 2.0 * TONE_SIGMA
    foam = ~strange & (bright_face < 0.3)
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
        toned=_share(toned, tool & ~dark, 0.5),
        lack=_patch(tool & toned & (like > 0.4)),
        foreign=_patch(tool & ~toned & ~dark),
        wall=_share(foam, wall, 0.5),
        notch=_share((strange & ~toned) | (bright_face > 0.6), notch, 0.0),
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
