"""One tool from its silhouettes in several photos: height, start, rings, what is known of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from tracer.geometry.closed_rings import resample
from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.bounds import EdgeQuality, edge_quality
from tracer.parallax.multi_view.contours import Contour, rings_of
from tracer.parallax.multi_view.edges import Camera, EdgeSettings, Fit, solve_ring, tallness_by
from tracer.parallax.multi_view.mending import cleaned
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import OneHeight, search_height
from tracer.parallax.multi_view.shares import Tallness
from tracer.parallax.multi_view.start import start_region, steepest
from tracer.parallax.multi_view.sweep import sweep_ring

__all__ = ["SolvedRing", "TypedPrior", "Whole", "solve_together"]

Array = NDArray[np.float64]

#: Highest edges to highest point: h = FACTOR * top ** POWER (mm), and its relative scatter.
#: Silhouettes from above do not show a tool's top; fitted on 28 rendered tools of 5 to 96 mm.
#: The scatter is set on silhouettes as they are really found, 34 tools on four grounds: 79 % of the
#: heights lie within one deviation, 97 % within two; half are off by less than 3 mm.
TOP_FACTOR, TOP_POWER, TOP_SCATTER, LEAST_SCATTER_MM = 1.86, 0.89, 0.15, 0.8
#: scatter of a height by shares, beyond what it states itself
TOLD_SCATTER = 0.10
#: mean height of seen edges as a share of a tool's height, and its scatter (the same tools)
EDGE_SHARE, EDGE_SCATTER = 0.46, 0.16


@dataclass(frozen=True)
class TypedPrior:
    """A typed height and its standard deviation, mm."""

    height_mm: float
    sigma_mm: float


@dataclass(frozen=True, eq=False)
class SolvedRing:
    """A ring, solved and judged."""

    fit: Fit
    quality: EdgeQuality


@dataclass(frozen=True, eq=False)
class Whole:
    """A tool solved from several photos.

    Attributes
    ----------
    exterior, holes
        Solved rings.
    one_height
        Result of the search for one height, typed knowledge included.
    top_mm
        Upper end of the heights at which edges are seen.
    height_mm, height_sigma_mm
        Estimate of the highest point.
    """

    exterior: SolvedRing
    holes: tuple[SolvedRing, ...]
    one_height: OneHeight
    top_mm: float
    height_mm: float
    height_sigma_mm: float

    @property
    def edge_mm(self) -> float:
        """The one height that fits all edges best."""
        return max(self.one_height.z_mm, 0.0)


def silhouette_shares(silhouette: Silhouette, rings: Sequence[Array]) -> list[Array]:
    """What the learned model says of the height of the rings' edges; nothing of holes."""
    own = np.full((len(rings[0]), 2), np.nan)
    if len(silhouette.edge_height):
        own = np.column_stack([silhouette.edge_height, silhouette.edge_height_sigma])
        if not silhouette.region.exterior.is_ccw:
            own = np.roll(own[::-1], 1, axis=0)
    return [own, *(np.full((len(ring), 2), np.nan) for ring in rings[1:])]


def silhouette_rings(silhouette: Silhouette) -> tuple[list[Array], list[Array]]:
    """Rings and, per ring point, the deviation across the edge; it holds the confidence already."""
    region = silhouette.region
    rings = rings_of(region)
    own = np.asarray(region.exterior.coords, np.float64)[:-1, :2]
    sigma = np.broadcast_to(np.asarray(silhouette.sigma_mm, np.float64), (len(own),)).copy()
    if not region.exterior.is_ccw:
        sigma = np.roll(sigma[::-1], 1)
    typical = float(np.median(sigma)) if len(sigma) else 0.1
    inner = silhouette.holes_sigma_mm
    sigmas = [sigma]
    for k, ring in enumerate(rings[1:]):
        sigmas.append(np.full(len(ring), inner[k] if k < len(inner) else typical))
    return rings, sigmas


def contour_of(observation: Observation) -> Contour:
    """All edges that a photo shows of the tool; what the frame cuts off is no edge."""
    rings: list[Array] = []
    sigmas: list[Array] = []
    shares: list[Array] = []
    cut = False
    for silhouette in observation.silhouettes:
        some, spread = silhouette_rings(silhouette)
        rings += some
        sigmas += spread
        shares += silhouette_shares(silhouette, some)
        cut |= silhouette.touches_border
    keep = observation.frame_mm if cut else None
    return Contour(rings, sigmas, keep=keep, shares=shares)


def find_height(
    observations: Sequence[Observation],
    siblings: Sequence[Sequence[Observation]],
    typed: TypedPrior | None,
) -> OneHeight:
    """One height of the edges, from whole silhouettes where there are two, else from what is left.

    A tool run together with its neighbours in one of two photos is searched as the group
    (``siblings``: what the photos show of each of its members). A typed height enters with the
    scatter of edge heights.
    """
    usable = [g for g in observations if g.whole]
    if len(usable) < 2:
        by_photo: dict[int, list[Observation]] = {}
        for member in (observations, *siblings):
            for g in member:
                by_photo.setdefault(g.photo, []).append(g)
        regions = [shapely.union_all([g.region for g in gs]) for gs in by_photo.values()]
        frames = [gs[0].frame_mm for gs in by_photo.values()]
        cameras = [gs[0].camera for gs in by_photo.values()]
        cut = any(s.touches_border for gs in by_photo.values() for g in gs for s in g.silhouettes)
        found = search_height(regions, cameras, frames=frames if cut else None)
    else:
        found = search_height([g.region for g in usable], [g.camera for g in usable])
    if typed is None:
        return found
    mean = EDGE_SHARE * typed.height_mm
    spread = np.hypot(EDGE_SCATTER * typed.height_mm, EDGE_SHARE * typed.sigma_mm) + 0.3
    weight = np.array([1 / max(found.sigma_mm, 0.05) ** 2, 1 / spread**2])
    z = float(np.dot(weight, [found.z_mm, mean]) / weight.sum())
    return OneHeight(z, found.apart_mm, float(1 / np.sqrt(weight.sum())))


def tallness_before(one: OneHeight, typed: TypedPrior | None) -> Tallness:
    """How tall a tool is before its edges are solved: as typed, or by its edges' one height."""
    if typed is not None:
        return Tallness(max(typed.height_mm, 1.0), max(typed.sigma_mm, 0.5))
    height = max(one.z_mm, 0.5) / EDGE_SHARE
    return Tallness(height, EDGE_SCATTER / EDGE_SHARE * height)


def tool_height(top_mm: float, one_height: OneHeight) -> tuple[float, float]:
    """Height of the highest point and its standard deviation from the highest edges seen."""
    height = max(TOP_FACTOR * max(top_mm, 0.3) ** TOP_POWER, top_mm)
    spread = min(one_height.sigma_mm, height) / EDGE_SHARE
    return height, float(np.hypot(TOP_SCATTER * height, min(spread, height)) + LEAST_SCATTER_MM)


def told_height(
    fit: Fit, cameras: Sequence[Camera], one_height: OneHeight, settings: EdgeSettings
) -> tuple[float, float] | None:
    """Height of the highest point by the edges' heights over the shares that the model tells.

    None where the model told nothing. Beside the truth of 71 rendered tools it is off by 10 % at
    the median, where the formula of `tool_height` is off by 14 %.
    """
    before = tallness_before(one_height, None)
    tall = tallness_by(fit.sighting, cameras, before, settings)
    if tall is before:
        return None
    spread = float(np.hypot(tall.sigma_mm, TOLD_SCATTER * tall.height_mm))
    return tall.height_mm, spread + LEAST_SCATTER_MM


def solve_together(
    observations: Sequence[Observation],
    siblings: Sequence[Sequence[Observation]] = (),
    typed: TypedPrior | None = None,
    settings: EdgeSettings | None = None,
) -> Whole | None:
    """Solve one tool.

    Parameters
    ----------
    observations
        What two photos or more show of it.
    siblings
        The same of the tools it is run together with in some photo.
    typed
        Typed height; ignored as a limit when the edges are seen well above it.
    settings
        Weights of the solve.

    Returns
    -------
    Whole or None
        None when the photos share nothing that could be a tool.
    """
    settings = settings or EdgeSettings()
    one = find_height(observations, siblings, typed)
    z0 = max(one.z_mm, 0.5)
    limit = 0.5 * min(g.camera.height_mm for g in observations)
    if typed is not None and z0 < typed.height_mm + 3 * typed.sigma_mm:
        limit = max(typed.height_mm + 2 * typed.sigma_mm, 1.1 * z0)
    cameras = [g.camera for g in observations]
    contours = [contour_of(g) for g in observations]
    start = start_region(observations, z0, min(max(2.4 * z0, 3.0), limit))
    if start.is_empty:
        return None
    own = steepest(observations)
    others = [k for k, g in enumerate(observations) if g is not own]

    tall = tallness_before(one, typed)

    def solved(ring: Array, hole: bool) -> Fit | None:
        points, guess = sweep_ring(
            ring, z0, limit, own.camera, [cameras[k] for k in others], [contours[k] for k in others]
        )
        tidy = cleaned(points, hole)
        if tidy.is_empty:
            return None
        (even,) = resample(rings_of(tidy)[0], settings.spacing_mm)
        even = even[::-1] if hole else even
        nearest = np.asarray(cKDTree(points).query(even)[1], np.intp)
        return solve_ring(
            even, guess[nearest], cameras, contours, limit, settings, hole=hole, tall=tall
        )

    outer, *inner = rings_of(start)
    exterior = solved(outer, False)
    if exterior is None:
        return None
    edge_top = float(np.percentile(exterior.ring.middle_mm + exterior.ring.half_mm, 98))
    height, height_sigma = tool_height(edge_top, one)
    if told := told_height(exterior, cameras, one, settings):
        height, height_sigma = max(told[0], edge_top), told[1]
    highest = max(typed.height_mm, edge_top) if typed is not None else height
    body = Polygon(exterior.ring.points_mm).buffer(0)
    holes = []
    for ring in inner:
        hole = solved(ring, True)
        if hole is None or not body.contains(Polygon(hole.ring.points_mm).buffer(0)):
            continue
        quality = edge_quality(hole, cameras, z0, highest)
        if seen_hole(quality):
            holes.append(SolvedRing(hole, quality))
    return Whole(
        SolvedRing(exterior, edge_quality(exterior, cameras, z0, highest)),
        tuple(holes),
        one,
        edge_top,
        height,
        height_sigma,
    )


def seen_hole(quality: EdgeQuality) -> bool:
    """Two photos must confirm a part of a hole, or the only one that can look into it."""
    confirmed = float(np.mean(quality.view_count >= 2))
    return confirmed > 0.3 or (confirmed > 0.1 and float(np.mean(quality.view_count >= 1)) > 0.8)
