"""A phone's photo of a stage, with its exact camera and what each pixel shows."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.inspection.caster import cast, shadows
from tests.inspection.stage import COVER, Stage, States, set_stage
from tracer.model.panel import Panel
from tracer.model.photo import Photo
from tracer.model.view import View

__all__ = ["LIGHTS", "PanelPhoto", "Shot", "take"]

Floats = NDArray[np.float32]
LIGHTS = ("window", "lamp", "panels", "dusk", "flash")


@dataclass(frozen=True)
class Shot:
    """How a photo is taken.

    ``aside`` is the direction of the tilt, degrees from the panel's x axis; ``off`` how far the
    aim is from the panel's middle, shares of its width and height; ``focal_35mm`` None: the
    file does not say.
    """

    size_px: tuple[int, int] = (2048, 1536)
    distance_mm: float = 1000.0
    tilt_deg: float = 10.0
    aside_deg: float = 90.0
    roll_deg: float = 0.0
    off: tuple[float, float] = (0.0, 0.0)
    focal_35mm: float = 26.0
    k1: float = 0.02
    light: str = "window"
    exposure: float = 1.0
    noise: float = 1.0
    quality: int = 90
    tells_focal: bool = True


@dataclass(frozen=True, eq=False)
class PanelPhoto:
    """A rendered photo and its truth.

    ``seen`` gives by pocket the share of its opening that lies in the picture and the share of
    that which nothing covers; ``alike`` how far the outline of what lies there is that of its own
    tool, area of both over area of either.
    """

    photo: Photo
    view: View
    states: dict[str, str]
    seen: dict[str, tuple[float, float]]
    jpeg: bytes
    bulge_mm: float
    alike: Mapping[str, float]

    def wall_px(self, points_mm: NDArray[np.float64], size_mm: tuple[float, float]) -> Floats:
        """Where points (N, 2) of the face, which bulges, are in the photo."""
        u = np.asarray(points_mm) / np.array(size_mm) * 2 - 1
        z = self.bulge_mm * np.prod(np.clip(1 - u * u, 0, 1), axis=1)
        return np.asarray(self.view.to_photo(np.column_stack([points_mm, z])))


def view_of(panel: Panel, shot: Shot) -> View:
    """The camera of a shot."""
    width, height = panel.size_mm
    aim = np.array([width * (0.5 + shot.off[0]), height * (0.5 + shot.off[1]), 0.0])
    tilt, aside = np.radians(shot.tilt_deg), np.radians(shot.aside_deg)
    away = np.array([np.sin(tilt) * np.cos(aside), np.sin(tilt) * np.sin(aside), np.cos(tilt)])
    centre = aim + shot.distance_mm * away
    up = np.array([np.sin(np.radians(shot.roll_deg)), np.cos(np.radians(shot.roll_deg)), 0.0])
    forward = -away
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    R = np.stack([right, down, forward])
    w, h = shot.size_px
    # 35 mm equivalent by the diagonal: CIPA DCG-001
    focal = shot.focal_35mm / 43.27 * np.hypot(w, h)
    K = np.array([[focal, 0, (w - 1) / 2], [0, focal, (h - 1) / 2], [0, 0, 1.0]])
    return View("photo", (w, h), K, np.array([shot.k1, 0, 0, 0, 0.0]), R, -R @ centre)


_LAMPS: dict[str, tuple[tuple[float, float, float], float, int, float, tuple[float, ...]]] = {
    # direction, spread, samples, share of ambient light, colour
    "window": ((-1.0, 0.5, 0.9), 0.35, 5, 0.45, (1.0, 1.0, 1.02)),
    "lamp": ((0.5, 0.8, 0.9), 0.04, 3, 0.18, (1.0, 0.86, 0.66)),
    "panels": ((0.1, 1.0, 1.2), 0.5, 6, 0.5, (0.96, 1.0, 0.98)),
    "dusk": ((-0.6, 0.2, 1.0), 0.3, 5, 0.6, (1.0, 0.74, 0.5)),
    "flash": ((0.05, 0.08, 1.0), 0.02, 2, 0.12, (1.0, 1.0, 1.05)),
}


def lit(stage: Stage, light: str, g: Generator) -> Floats:
    """Linear light of each cell of a stage."""
    direction, spread, samples, ambient, colour = _LAMPS[light]
    aim = np.array(direction) + g.normal(0, 0.12, 3)
    points = aim / np.linalg.norm(aim) + g.normal(0, spread, (samples, 3))
    points[:, 2] = np.maximum(points[:, 2], 0.25)
    share = shadows(stage.height, stage.step_mm, points.astype(np.float32))
    # what lies deep sees less of the room; at a wall's top nothing of that reaches the face
    span = round(25 / stage.step_mm) | 1
    wide = cv2.blur(stage.height, (span, span))
    open_ = 1 / (1 + np.clip((wide - stage.height) / 18, 0, 2))
    middle = np.array(stage.height.shape) / 2
    rows, columns = np.ogrid[: stage.height.shape[0], : stage.height.shape[1]]
    slope = g.normal(0, 0.18 if light != "lamp" else 0.35, 2)
    fall = np.exp(
        slope[0] * (rows - middle[0]) / middle[0] + slope[1] * (columns - middle[1]) / middle[1]
    )
    amount = fall * (ambient * open_ + (1 - ambient) * share)
    lamp = np.array(colour) * np.exp(g.normal(0, 0.05, 3))
    return np.ascontiguousarray(stage.colour * (amount[..., None] * lamp), np.float32)


def _as_jpeg(light: Floats, shot: Shot, g: Generator) -> bytes:
    """Lens, sensor, tone and file of a phone."""
    x = np.asarray(cv2.GaussianBlur(light, (0, 0), float(g.uniform(0.6, 1.1))))
    white = float(np.quantile(x[::7, ::7].mean(axis=2), 0.97))
    x = x / max(white, 1e-4) * 0.8 * shot.exposure
    x = x * np.exp(g.normal(0, 0.05, 3)).astype(np.float32)
    h, w = x.shape[:2]
    v, u = np.ogrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]  # type: ignore[misc]
    x = x * (1 - 0.12 * (u**2 + v**2))[..., None]
    noise = np.empty(x.shape, np.float32)
    cv2.setRNGSeed(int(g.integers(2**31)))
    cv2.randn(noise, 0, 1)
    x = x + shot.noise * noise * np.sqrt(np.maximum(x, 0) * 1.2e-4 + 4e-6).astype(np.float32)
    x = np.clip(x, 0, 1)
    x = np.where(x <= 0.0031308, 12.92 * x, 1.055 * cv2.pow(x, 1 / 2.4) - 0.055)
    soft = cv2.GaussianBlur(x, (0, 0), 1.2)
    x = np.clip(x + 0.5 * (x - soft), 0, 1)
    pixels = np.round(255 * x).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, shot.quality])
    assert ok
    return bytes(data)


def take(
    panel: Panel,
    states: States,
    shot: Shot,
    seed: int,
    *,
    things: tuple[str, ...] = (),
    marks: bool = False,
    looks_seed: int = 0,
    samples: int = 1,
) -> PanelPhoto:
    """Photograph a panel; the same seed gives the same photo."""
    g = np.random.default_rng(seed)
    stage = set_stage(panel, states, g, things=things, marks=marks, looks_seed=looks_seed)
    view = view_of(panel, shot)
    light, ids = cast(
        stage.height, lit(stage, shot.light, g), stage.ids, stage.step_mm, stage.origin_mm, view,
        samples,
    )  # fmt: skip
    data = _as_jpeg(light, shot, g)
    pixels = np.ascontiguousarray(cv2.imdecode(np.frombuffer(data, np.uint8), 1)[..., ::-1])
    pixels.setflags(write=False)
    photo = Photo(
        photo_id=hashlib.sha256(data).hexdigest()[:16],
        name="photo.jpg",
        pixels=pixels,
        focal_35mm=shot.focal_35mm if shot.tells_focal else None,
    )
    full = {p.pocket_id: states.get(p.pocket_id, "present") for p in panel.pockets}
    seen = {p.pocket_id: _seen(p.region, view, ids) for p in panel.pockets}
    alike = {
        p.pocket_id: _alike(stage.laid[p.pocket_id], p.outline)
        for p in panel.pockets
        if p.pocket_id in stage.laid
    }
    return PanelPhoto(photo, view, full, seen, data, stage.bulge_mm, alike)


def _alike(a: Polygon, b: Polygon) -> float:
    return float(a.intersection(b).area / a.union(b).area)


def _seen(region: Polygon, view: View, ids: NDArray[np.uint8]) -> tuple[float, float]:
    ring = view.to_photo(np.asarray(region.exterior.coords)[:, :2])
    whole = Polygon(ring)
    w, h = view.size_px
    frame = Polygon([(0, 0), (w - 1, 0), (w - 1, h - 1), (0, h - 1)])
    inside = whole.buffer(0).intersection(frame).area / max(whole.area, 1e-9)
    mask = np.zeros(ids.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    count = int(mask.sum())
    free = float((ids[mask > 0] != COVER).mean()) if count else 0.0
    return float(inside), free
