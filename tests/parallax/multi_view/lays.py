"""Lays with exact truth for the tests of several photos, and how results are held against them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter1d
from shapely.geometry import Polygon
from skimage.measure import find_contours

from tracer.geometry.compare import boundary_distance, filled, iou
from tracer.model.silhouette import Silhouette
from tracer.model.view import View
from tracer.parallax.multi_view.views import SolvedTool, ViewsSolution

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TrueTool:
    name: str
    outline: Polygon
    height_mm: float


@dataclass(frozen=True, eq=False)
class Lay:
    """Views, silhouettes per photo and what is true of each tool."""

    views: tuple[View, ...]
    silhouettes: tuple[tuple[Silhouette, ...], ...]
    tools: tuple[TrueTool, ...]

    def photos(self, *indices: int) -> Lay:
        return Lay(
            tuple(self.views[i] for i in indices),
            tuple(self.silhouettes[i] for i in indices),
            self.tools,
        )


def silhouette(
    name: str, photo_id: str, region: Polygon, *, sigma_mm: float = 0.1, border: bool = False
) -> Silhouette:
    region = shapely.orient_polygons(region)
    count = len(region.exterior.coords) - 1
    return Silhouette(
        silhouette_id=name,
        photo_id=photo_id,
        region=region,
        sigma_mm=np.full(count, sigma_mm),
        confidence=1.0,
        edge_confidence=np.ones(count),
        edge_height=np.empty(0),
        touches_border=border,
        holes_sigma_mm=(sigma_mm,) * len(region.interiors),
    )


def read_view(photo: dict, photo_id: str) -> View:
    return View(
        photo_id,
        (photo["width"], photo["height"]),
        *(np.array(photo[key], float) for key in ("K", "dist", "R", "t")),
    )


def mask_rings(mask: NDArray[np.bool_], smooth_px: float = 1.5) -> list[Array]:
    """Sub-pixel rings (x, y) of a 0/1 mask; its stairs are smoothed along the ring."""
    rings = []
    for ring in find_contours(np.pad(mask, 2).astype(float), 0.5):
        if len(ring) < 25:
            continue
        points = gaussian_filter1d(ring[:-1, ::-1] - 2, smooth_px, axis=0, mode="wrap")
        rings.append(points)
    return rings


def rings_to_region(rings: list[Array]) -> Polygon:
    polygons = sorted((Polygon(r).buffer(0) for r in rings), key=lambda p: -p.area)
    region = polygons[0]
    for hole in polygons[1:]:
        if region.contains(hole.representative_point()):
            region = region.difference(hole)
    if region.geom_type != "Polygon":
        region = max(region.geoms, key=lambda p: p.area)
    return region


def read_lay(folder: Path) -> Lay:
    """A rendered scene: truth cameras and silhouettes from the exact label maps."""
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    views, found = [], []
    for index, photo in enumerate(truth["photos"]):
        view = read_view(photo, f"photo-{index + 1}")
        labels = np.asarray(Image.open(folder / photo["label"]))
        mm_per_px = view.mm_per_px(view.nadir_mm[None])[0]
        some = []
        for k in range(len(truth["tools"])):
            rows, cols = np.nonzero(labels == k + 1)
            if not len(rows):
                continue
            y0, y1, x0, x1 = rows.min(), rows.max() + 1, cols.min(), cols.max() + 1
            crop = labels[y0:y1, x0:x1] == k + 1
            rings = [view.to_sheet(r + np.array([x0, y0])) for r in mask_rings(crop)]
            border = x0 == 0 or y0 == 0 or x1 == labels.shape[1] or y1 == labels.shape[0]
            some.append(
                silhouette(
                    f"S{k + 1:02d}",
                    view.photo_id,
                    rings_to_region(rings),
                    sigma_mm=0.25 * mm_per_px,
                    border=border,
                )
            )
        views.append(view)
        found.append(tuple(some))
    tools = tuple(
        TrueTool(
            t["name"],
            Polygon(t["outline"]["exterior"], t["outline"]["holes"]).buffer(0),
            t["height_mm"],
        )
        for t in truth["tools"]
    )
    return Lay(tuple(views), tuple(found), tools)


@dataclass(frozen=True)
class Score:
    """Boundary distances between a result and the truth, holes filled, no alignment, mm."""

    mean: float
    p95: float
    largest: float
    signed: float


def score(result: Polygon, truth: Polygon) -> Score:
    """Mean of the two directed means, 95th percentile and largest over both directions."""
    d = boundary_distance(filled(result), filled(truth), 0.5)
    return Score(d.mean_mm, d.p95_mm, d.max_mm, d.signed_mm)


def solved_pairs(solution: ViewsSolution, lay: Lay) -> list[tuple[TrueTool, SolvedTool]]:
    """Each true tool with the solved one that overlaps it most; all must be found."""
    pairs = []
    for tool in lay.tools:
        found = max(solution.tools, key=lambda t: iou(t.region, tool.outline))
        assert iou(found.region, tool.outline) > 0.25, f"{tool.name} was not found"
        pairs.append((tool, found))
    return pairs


def scores(solution: ViewsSolution, lay: Lay) -> Array:
    """(tools, 4): mean, p95, largest, signed."""
    rows = [score(found.region, tool.outline) for tool, found in solved_pairs(solution, lay)]
    return np.array([(s.mean, s.p95, s.largest, s.signed) for s in rows])


def edge_errors(solution: ViewsSolution, lay: Lay) -> tuple[Array, Array]:
    """Signed distance of every outline vertex from the true edge, and its sigma, (N,) each."""
    errors, sigmas = [], []
    for tool, found in solved_pairs(solution, lay):
        solid = filled(tool.outline)
        points = np.asarray(found.region.exterior.coords)[:-1]
        inside = shapely.contains_xy(solid, *points.T)
        away = shapely.distance(shapely.points(points), solid.exterior)
        errors.append(np.where(inside, -away, away))
        sigmas.append(found.sigma_ring_mm)
    return np.concatenate(errors), np.concatenate(sigmas)
