"""From a rough camera to one that puts the drawing's walls on the photo's edges.

At each wall point the photo is read along the direction that leaves the face; the edge is where it
stops looking like face. Cameras are solved by robust least squares on the edges' distances along
the normal (Tukey's weights), with priors on focal length, lens and bulge, from coarse to fine.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.inspection.camera import BULGE_SIGMA_MM, K1_SIGMA, PanelCamera
from tracer.inspection.light import FaceColour, Floats, fit_face, log_light, sampled
from tracer.inspection.pattern import RIM, Pattern

__all__ = ["Fit", "Level", "levels_of", "measured", "refined"]

Array = NDArray[np.float64]

#: long side of the working pictures, and how far an edge is looked for in each, px
SIDES_PX, REACH_PX = (640, 1280, 2048), (14.0, 9.0, 6.0)
#: a wall counts as seen where its edge lies this near, mm and px
NEAR_MM, NEAR_PX = 1.5, 1.6
DAMPING = 1e-3
#: a wall's foot, or a tool that stands out, seen this far from the wall's top halves its weight
RELIEF_MM = 1.0
#: colours this many scatters from the face are not face
NOT_FACE, MOST_UNLIKE = 3.0, 7.5


@dataclass(frozen=True, eq=False)
class Level:
    """A photo at one working size: logarithm of light, and its scale to the photo."""

    picture: Floats
    scale: float
    reach_px: float

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return int(self.picture.shape[1]), int(self.picture.shape[0])


@dataclass(frozen=True, eq=False)
class Fit:
    """A camera and how the drawing fits with it.

    ``hits`` (N,) says of each wall point whether its edge is there, ``inside`` (N,) whether it
    lies in the picture; ``rms_mm`` is that of the hits.
    """

    camera: PanelCamera
    face: FaceColour
    hits: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    rms_mm: float

    def share(self, owners: NDArray[np.intp]) -> float:
        """Share of hits among the pockets' wall points in the picture."""
        wanted = self.inside & (owners != RIM)
        return float(self.hits[wanted].mean()) if wanted.any() else 0.0


def levels_of(pixels: NDArray[np.uint8]) -> list[Level]:
    """Working pictures of a photo, coarse to fine; none is larger than the photo."""
    levels: list[Level] = []
    longest = max(pixels.shape[:2])
    for side, reach in zip(SIDES_PX, REACH_PX, strict=True):
        scale = min(side / longest, 1.0)
        small = pixels
        if scale < 1:
            size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
            small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        if levels and levels[-1].size_px == (small.shape[1], small.shape[0]):
            break
        levels.append(Level(log_light(small), small.shape[1] / pixels.shape[1], reach))
    return levels


def _face_of(level: Level, camera: PanelCamera, pattern: Pattern) -> FaceColour | None:
    seen = sampled(level.picture, camera.to_photo(pattern.face_mm))
    return fit_face(seen, pattern.face_mm, pattern.size_mm)


def _normals_px(camera: PanelCamera, pattern: Pattern, at_px: Array) -> tuple[Array, Array]:
    """Unit normals (N, 2) of the walls in the photo, away from the face, and px per mm (N,)."""
    along = np.column_stack([-pattern.away[:, 1], pattern.away[:, 0]])
    tangent = camera.to_photo(pattern.walls_mm + 0.5 * along) - camera.to_photo(
        pattern.walls_mm - 0.5 * along
    )
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    out = camera.to_photo(pattern.walls_mm + 0.5 * pattern.away) - at_px
    normal *= np.sign(np.sum(normal * out, axis=1, keepdims=True))
    scale = np.linalg.norm(normal, axis=1)
    return normal / np.maximum(scale[:, None], 1e-9), scale


@dataclass(frozen=True, eq=False)
class _Edges:
    at_px: Array
    normal: Array
    px_per_mm: Array
    offset_px: Array  # NaN where there is no edge
    rise: Array
    inside: NDArray[np.bool_]
    jacobian: Array
    clean: Array  # weights: whether the wall's top is what is seen


def _edges(
    level: Level, camera: PanelCamera, pattern: Pattern, face: FaceColour, reach: float
) -> _Edges:
    """Edges along the normals: the steepest rise from face to anything else."""
    at, jacobian = camera.project(pattern.walls_mm)
    normal, scale = _normals_px(camera, pattern, at)
    steps = np.arange(-reach - 2, reach + 2.5, 0.5)
    points = at[:, None] + steps[None, :, None] * normal[:, None]
    seen = sampled(level.picture, points.reshape(-1, 2)).reshape(len(at), len(steps), -1)
    face_log = face.at(pattern.walls_mm)[:, None]
    ratio = seen - face_log
    bright = ratio.mean(axis=2)
    tone = np.linalg.norm(ratio - bright[..., None], axis=2)
    unlike = np.minimum(np.hypot(tone / face.tone_sigma, bright / face.bright_sigma), MOST_UNLIKE)
    # blur mixes light, not its logarithm: in that a dark face would end far before its edge
    step = np.linalg.norm(np.exp(seen / 2) - np.exp(face_log / 2), axis=2)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        unlike = (
            step / np.nanmax(step, axis=1, keepdims=True) * np.nanmax(unlike, axis=1, keepdims=True)
        )
    # mean of three samples (1.5 px) after each place, less that of three before it
    k, n = 3, len(steps)
    sums = np.cumsum(np.pad(unlike, ((0, 0), (1, 0))), axis=1)
    between = np.arange(k, n - k + 1)
    rise = (sums[:, between + k] - 2 * sums[:, between] + sums[:, between - k]) / k
    places = (steps[between - 1] + steps[between]) / 2
    prior = np.exp(-0.5 * (places / (0.7 * reach)) ** 2)
    weighed = np.where(np.isfinite(rise), rise, -1) * prior
    best = np.argmax(weighed, axis=1)
    rows = np.arange(len(at))
    inner = np.clip(best, 1, weighed.shape[1] - 2)
    left, mid, right = (rise[rows, inner + d] for d in (-1, 0, 1))
    with np.errstate(all="ignore"):
        bend = left - 2 * mid + right
        sub = np.where(np.abs(bend) > 1e-9, 0.5 * (left - right) / bend, 0.0)
    offset = places[inner] + 0.5 * np.clip(np.nan_to_num(sub), -1, 1)
    height = rise[rows, best]
    inside = np.isfinite(seen[:, len(steps) // 2, 0])
    offset[~(height > 0.5 * NOT_FACE)] = np.nan
    return _Edges(at, normal, scale, offset, np.nan_to_num(height), inside, jacobian,
                  _clean(camera, pattern))  # fmt: skip


def _clean(camera: PanelCamera, pattern: Pattern) -> Array:
    """Weights (N,) of the walls: low where the camera looks at their face, not over their top.

    There the foot of an empty pocket's wall, or the tool that stands before it, is mistaken for it.
    """
    centre = camera.view("").centre_mm
    towards = np.sum((centre[:2] - pattern.walls_mm) * pattern.away, axis=1)
    seen_mm = pattern.relief_mm * np.maximum(towards, 0) / max(float(centre[2]), 1.0)
    return np.asarray(1 / (1 + (seen_mm / RELIEF_MM) ** 2), np.float64)


def _step(
    camera: PanelCamera, edges: _Edges, width_px: float, priors: Array, start: Array
) -> Array:
    """One robust Gauss-Newton step of the camera's values (9,)."""
    ok = np.isfinite(edges.offset_px)
    r = edges.offset_px[ok]
    j = np.einsum("ni,nij->nj", edges.normal[ok], edges.jacobian[ok])
    weight = np.clip(1 - (r / width_px) ** 2, 0, None) ** 2
    weight *= np.clip(edges.rise[ok] / 6.0, 0.1, 1) * edges.clean[ok]
    sigma = max(float(np.median(np.abs(r[weight > 0]))) if (weight > 0).any() else 1.0, 0.3)
    left = j.T @ (weight[:, None] * j) / sigma**2 + np.diag(priors)
    right = j.T @ (weight * r) / sigma**2 - priors * (camera.values - start)
    scale = np.sqrt(np.maximum(np.diag(left), 1e-12))
    # seen straight on, distance and focal length say the same: damped (Levenberg), and no wall
    # moves farther than it was looked for
    normal = left / np.outer(scale, scale) + DAMPING * np.eye(len(scale))
    step = np.linalg.solve(normal, right / scale) / scale
    farthest = float(np.abs(edges.jacobian @ step).max())
    return np.asarray(step * min(1.0, width_px / max(farthest, 1e-9)), np.float64)


def refined(
    levels: list[Level], camera: PanelCamera, pattern: Pattern, focal_sigma: float, first: int = 0
) -> Fit | None:
    """Follow the walls from level to level; None where the face cannot be made out.

    ``camera`` is that of the photo at full size.
    """
    start = camera.values.copy()
    start[7:] = 0.0
    priors = np.zeros(9)
    priors[6], priors[7], priors[8] = 1 / focal_sigma**2, 1 / K1_SIGMA**2, 1 / BULGE_SIGMA_MM**2
    face = None
    for number, level in enumerate(levels[first:], start=first):
        here = camera.scaled(level.scale, level.size_px)
        begin = start.copy()
        begin[6] += np.log(level.scale)
        reach = level.reach_px
        for turn in range(7):
            if turn % 3 == 0:
                face = _face_of(level, here, pattern)
                if face is None:
                    return None
            assert face is not None
            edges = _edges(level, here, pattern, face, reach)
            held = priors.copy()
            if number == first and turn < 3:
                held[7:] *= 1e4  # the lens and the bulge wait until the panel is near
            step = _step(here, edges, reach, held, begin)
            values = here.values + step
            if not np.isfinite(values).all():
                return None
            here = PanelCamera(values, level.size_px, here.panel_mm)
            reach = max(0.75 * reach, 2.5)
        camera = here.scaled(1 / level.scale, camera.size_px)
    return measured(levels[-1], camera, pattern)


def measured(level: Level, camera: PanelCamera, pattern: Pattern) -> Fit | None:
    """How well the drawing fits the photo with a camera."""
    here = camera.scaled(level.scale, level.size_px)
    face = _face_of(level, here, pattern)
    if face is None:
        return None
    edges = _edges(level, here, pattern, face, 5.0)
    near = np.maximum(NEAR_MM * edges.px_per_mm, NEAR_PX)
    off = np.abs(edges.offset_px)
    hits = np.isfinite(off) & (off < near) & edges.inside
    rms = (
        float(np.sqrt(np.mean((off[hits] / edges.px_per_mm[hits]) ** 2))) if hits.any() else np.inf
    )
    return Fit(camera, face, hits, edges.inside, rms)
