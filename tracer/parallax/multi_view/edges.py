"""Where a tool's edge is and how high it is seen, solved from all photos together.

An edge point p with outward normal n, seen at height z by a camera at height H over the nadir c,
shows on the sheet at ``p + u (p - c)`` with ``u = z / (H - z)``: the ray through it, cut with
z = 0. Along the normal that is a shift of ``u rho``, ``rho = (p - c).n``. A camera in front of an
edge (rho < 0) sees it at another height than one behind it, so two heights are unknown per sample
of the outline, kept as their middle ``m`` and half difference ``a``, beside the edge's place.

Every sample of a ring is solved at once, in a few rounds: predict where each photo should show the
edge, find the contour there, solve linear least squares, move. Neighbouring samples are tied
through their heights and through the *increment* of the edge, never through the outline itself,
and hardly at corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.geometry.closed_rings import normals, resample
from tracer.parallax.multi_view.contours import NORMAL_SMOOTH, Contour, rings_of, turns
from tracer.parallax.multi_view.cyclic_band import CyclicBand
from tracer.parallax.multi_view.mending import bridged, cleaned
from tracer.parallax.multi_view.shares import FAR, Tallness, told_heights
from tracer.parallax.shared.let_go import let_go
from tracer.parallax.shared.touch import displacing_share, learned_scatter

__all__ = ["Camera", "EdgeSettings", "Fit", "Ring", "Sighting", "solve_ring"]

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class EdgeSettings:
    """Weights of the solve.

    Set on the silhouettes that are really found, with each of four grounds left out in turn.
    Hardly any matters alone: halved or doubled, each moves the outlines by less than 0.05 mm. The
    exceptions are ``open_share`` (four times as much makes drills 0.7 mm worse) and the presence
    of ``bend_mm``. Together they take 7 % off the mean distance, on every ground.
    """

    #: distance of outline samples
    spacing_mm: float = 1.5
    #: noise of a contour, and of the model per mm of parallax
    noise_mm: float = 0.1
    model_share: float = 0.06
    #: the contour's own deviation in units of what its photo states. Below one: the heights' and
    #: the edge's ties, set for clean contours, would rule a faint edge otherwise
    grain_share: float = 0.6
    #: prior of the middle height, as a share of the one-height solution
    middle_share: float = 0.4
    #: prior of the half difference of the two heights, as a share of the one-height solution
    open_share: float = 0.25
    #: residual, in deviations, at which a photo counts a quarter
    outlier: float = 2.0
    #: how far the heights may change over 1 mm of edge
    height_step_mm: float = 1.0
    #: second difference of the edge's increment
    bend_mm: float = 0.6
    #: prior of one round's movement
    move_mm: float = 4.0
    #: mean growth of the seen height with rho / H, as a share of the one-height solution
    roundness: float = 0.5
    #: turn over one sample beyond which neighbours are strangers
    corner_rad: float = np.radians(15.0)
    #: widest disagreement of normals between prediction and contour
    normal_rad: float = np.radians(35.0)
    #: how far to look for the contour, round by round
    windows_mm: tuple[float, ...] = (12.0, 8.0, 6.0, 5.0, 4.0, 3.0)
    #: the same when the result is judged
    last_window_mm: float = 5.0
    #: longest stretch seen by no photo that is bridged
    bridge_mm: float = 12.0


@dataclass(frozen=True)
class Camera:
    """A camera over the sheet: nadir (2,) and height, mm."""

    nadir_mm: Array
    height_mm: float


@dataclass(frozen=True, eq=False)
class Ring:
    """An outline ring with the heights its edge is seen at.

    ``points_mm`` (N, 2); ``middle_mm`` and ``half_mm`` (N,): the camera in front of the edge sees
    it near middle - half, the one behind it near middle + half. ``guess_mm`` (N,) is what the
    middle is expected to be before the solve.
    """

    points_mm: Array
    middle_mm: Array
    half_mm: Array
    guess_mm: Array

    def top_mm(self, limit_mm: float) -> Array:
        """Highest an edge may be, (N,): a tall body may stand behind a flat foot."""
        return np.minimum(self.guess_mm + np.maximum(1.4 * self.guess_mm, 40.0), limit_mm)


@dataclass(frozen=True, eq=False)
class Sighting:
    """What each of V photos shows of each of N samples.

    Attributes
    ----------
    rho_mm
        (V, N) distance of the sample from the nadir along the normal.
    z_mm
        (V, N) height the edge is seen at.
    seen
        (V, N) whether a contour was found.
    residual_mm
        (V, N) found minus predicted place along the normal; 0 where not seen.
    sigma_mm
        (V, N) standard deviation of the residual.
    grain_mm
        (V, N) the contour's own part of it.
    share, share_sigma
        (V, N) share of the tool's height by which the edge is displaced, as the learned model
        tells it, and its standard deviation; NaN where it says nothing.
    """

    rho_mm: Array
    z_mm: Array
    seen: Bool
    residual_mm: Array
    sigma_mm: Array
    grain_mm: Array
    share: Array
    share_sigma: Array
    slope: Array = field(repr=False)
    side: Array = field(repr=False)


@dataclass(frozen=True, eq=False)
class Fit:
    """A solved ring, its normals and what the photos show of it."""

    ring: Ring
    normal: Array
    sighting: Sighting


def look(
    ring: Ring,
    normal: Array,
    cameras: Sequence[Camera],
    contours: Sequence[Contour],
    limit_mm: float,
    window_mm: float,
    settings: EdgeSettings,
) -> Sighting:
    """Predict every sample in every photo and find the contour there."""
    top, bulk = ring.top_mm(limit_mm), np.maximum(ring.guess_mm, 2.0)
    count, views = len(ring.points_mm), len(cameras)
    rho, z, residual, sigma, grain, slope, side = (np.zeros((views, count)) for _ in range(7))
    seen = np.zeros((views, count), bool)
    share, share_sigma = (np.full((views, count), np.nan) for _ in range(2))
    least = np.cos(settings.normal_rad)
    for i, (camera, contour) in enumerate(zip(cameras, contours, strict=True)):
        away = ring.points_mm - camera.nadir_mm
        rho[i] = np.sum(away * normal, axis=1)
        # 20 mm from the nadir's line an edge turns from one height to the other by degrees
        side[i] = rho[i] / np.hypot(rho[i], 20.0)
        lean = settings.roundness * ring.guess_mm * rho[i] / camera.height_mm
        z[i] = np.clip(ring.middle_mm + side[i] * ring.half_mm + lean, 0.0, top)
        free = camera.height_mm - z[i]
        slope[i] = camera.height_mm / free**2
        where = ring.points_mm + (z[i] / free)[:, None] * away
        hit = contour.crossings(where, normal, window_mm)
        facing = np.sum(contour.normal[hit.segment] * normal[hit.sample], axis=1) >= least
        sample, offset, segment = hit.sample[facing], hit.offset_mm[facing], hit.segment[facing]
        order = np.lexsort((np.abs(offset), sample))
        first = np.unique(sample[order], return_index=True)[1]
        chosen = order[first]
        at = sample[chosen]
        seen[i, at] = True
        residual[i, at] = offset[chosen]
        sigma[i] = settings.model_share * np.abs(rho[i]) * bulk / camera.height_mm
        sigma[i] = np.hypot(sigma[i], settings.noise_mm)
        grain[i, at] = contour.sigma_mm[segment[chosen]]
        rough = np.maximum(grain[i, at] - settings.noise_mm, 0.0)
        sigma[i, at] = np.hypot(sigma[i, at], settings.grain_share * rough)
        line = np.sum((where[at] - camera.nadir_mm) * normal[at], axis=1)
        touched, doubt = contour.share[segment[chosen]], contour.share_sigma[segment[chosen]]
        share[i, at] = displacing_share(touched, line, camera.height_mm)
        share_sigma[i, at] = learned_scatter(touched, doubt, line, camera.height_mm)
    return Sighting(rho, z, seen, residual, sigma, grain, share, share_sigma, slope, side)


def solve_round(
    ring: Ring,
    normal: Array,
    sighting: Sighting,
    settings: EdgeSettings,
    tall: Tallness | None = None,
) -> tuple[Array, Array]:
    """Increments (N, 3) of edge, middle and half difference, and the data weights (V, N)."""
    count = len(ring.points_mm)
    jac = np.stack(
        [
            np.ones_like(sighting.rho_mm),
            sighting.slope * sighting.rho_mm,
            sighting.slope * sighting.rho_mm * sighting.side,
        ],
        axis=-1,
    )
    base = np.where(sighting.seen, 1 / sighting.sigma_mm**2, 0.0)
    free = 1 / (1 + (turns(normal) / settings.corner_rad) ** 2)  # between j and j + 1
    bend = np.minimum(free, np.roll(free, 1)) / settings.bend_mm**2  # about j
    step = free / (settings.height_step_mm**2 * settings.spacing_mm)
    expected_half = settings.open_share * ring.guess_mm
    prior = np.stack(
        [
            np.full(count, 1 / settings.move_mm**2),
            1 / (settings.middle_share * ring.guess_mm + 0.3) ** 2,
            1 / (expected_half + 0.3) ** 2,
        ],
        axis=-1,
    )
    target = np.stack(
        [
            np.zeros(count),
            ring.guess_mm - ring.middle_mm,
            expected_half - ring.half_mm,
        ],
        axis=-1,
    )
    # steps of m and a between neighbours before the round: the ties act on the sums
    before = np.stack([ring.middle_mm, ring.half_mm], axis=-1)
    gap = np.roll(before, -1, axis=0) - before
    x = np.zeros((count, 3))
    weight = base
    step_weight = np.ones((count, 2))
    prior_weight = np.ones((count, 3))  # heights far from the guess are let go
    band = CyclicBand(count)
    told = told_heights(tall, sighting.share, sighting.share_sigma) if tall else None
    for _ in range(4):
        diagonal = np.einsum("vn,vni,vnj->nij", weight, jac, jac)
        diagonal[:, [0, 1, 2], [0, 1, 2]] += prior * prior_weight
        right = (
            np.einsum("vn,vni,vn->ni", weight, jac, sighting.residual_mm)
            + prior * prior_weight * target
        )
        if told:
            square, wanted = told_terms(sighting, *told, x)
            diagonal += square
            right += wanted
        tie = step[:, None] * step_weight
        for k in (0, 1):
            diagonal[:, k + 1, k + 1] += tie[:, k] + np.roll(tie[:, k], 1)
            right[:, k + 1] += tie[:, k] * gap[:, k] - np.roll(tie[:, k] * gap[:, k], 1)
        diagonal[:, 0, 0] += 4 * bend + np.roll(bend, 1) + np.roll(bend, -1)
        next_edge = -2 * (bend + np.roll(bend, -1))
        x = band.solve(diagonal, next_edge, -tie, np.roll(bend, -1), right)
        left = sighting.residual_mm - np.einsum("vni,ni->vn", jac, x)
        prior_weight[:, 1:] = 1 / (1 + prior[:, 1:] * ((target - x)[:, 1:] / 4) ** 2)
        # a photo far off says nothing (S. Geman, D. McClure, "Statistical methods for
        # tomographic image reconstruction", Bulletin of the ISI 52-4, 1987)
        weight = base * let_go((left / (settings.outlier * sighting.sigma_mm)) ** 2)
        change = (gap + np.roll(x[:, 1:], -1, axis=0) - x[:, 1:]) * np.sqrt(step)[:, None]
        step_weight = 1 / np.sqrt(1 + (change / 1.5) ** 2)
    return x, np.where(sighting.seen, weight / np.maximum(base, 1e-12), 0.0)


def told_terms(sighting: Sighting, told_mm: Array, weight: Array, x: Array) -> tuple[Array, Array]:
    """What told heights (V, N) add to the normal equations: (N, 3, 3) and (N, 3).

    ``x`` (N, 3) are the increments so far; a height far from what is told is let go.
    """
    row = np.stack([np.zeros_like(told_mm), np.ones_like(told_mm), sighting.side], axis=-1)
    off = told_mm - sighting.z_mm
    left = off - np.einsum("vni,ni->vn", row, x)
    weight = weight * let_go(left**2 * weight * len(weight) / FAR**2)
    return (
        np.einsum("vn,vni,vnj->nij", weight, row, row),
        np.einsum("vn,vni,vn->ni", weight, row, off),
    )


def height_variance(sighting: Sighting, cameras: Sequence[Camera]) -> Array:
    """Variance (N,) of an edge's height by parallax alone, mm^2; infinite without it."""
    weight = np.where(sighting.seen, 1 / sighting.sigma_mm**2, 0.0)
    lean = sighting.rho_mm / np.array([[camera.height_mm] for camera in cameras])
    total = np.maximum(weight.sum(axis=0), 1e-12)
    spread = (weight * lean**2).sum(axis=0) - (weight * lean).sum(axis=0) ** 2 / total
    return np.where(spread > 1e-9, 1 / np.maximum(spread, 1e-9), np.inf)


def tallness_by(
    sighting: Sighting, cameras: Sequence[Camera], before: Tallness, settings: EdgeSettings
) -> Tallness:
    """How tall the edges make their tool: their heights over the shares that the model tells."""
    return before.with_edges(
        sighting.z_mm,
        height_variance(sighting, cameras),
        sighting.share,
        sighting.share_sigma,
        settings.spacing_mm,
    )


def moved(
    ring: Ring,
    normal: Array,
    x: Array,
    weight: Array,
    limit_mm: float,
    settings: EdgeSettings,
    hole: bool,
) -> Ring | None:
    """The ring after one round: shifted, cleaned, sampled evenly anew; None if nothing is left."""
    points = ring.points_mm + np.clip(x[:, :1], -4.0, 4.0) * normal
    top = ring.top_mm(limit_mm)
    middle = np.clip(ring.middle_mm + x[:, 1], 0.0, top)
    half = np.clip(ring.half_mm + x[:, 2], 0.0, np.minimum(middle, top - middle))
    missing = (weight > 0.2).sum(axis=0) == 0
    points = bridged(points, missing, settings.spacing_mm, settings.bridge_mm)
    shape = cleaned(points, hole)
    if shape.is_empty or shape.area < 4.0:
        return None
    (even,) = resample(rings_of(shape)[0], settings.spacing_mm)
    nearest = np.asarray(cKDTree(points).query(even)[1], np.intp)
    if hole:
        even, nearest = even[::-1], nearest[::-1]
    return Ring(even, middle[nearest], half[nearest], ring.guess_mm[nearest])


def solve_ring(
    start: Array,
    guess_mm: Array,
    cameras: Sequence[Camera],
    contours: Sequence[Contour],
    limit_mm: float,
    settings: EdgeSettings,
    *,
    hole: bool = False,
    tall: Tallness | None = None,
) -> Fit | None:
    """Solve one ring of a tool.

    Parameters
    ----------
    start
        (N, 2) first guess of the ring, mm; clockwise for a hole.
    guess_mm
        (N,) heights at which its edge is expected to be seen.
    cameras, contours
        One per photo.
    limit_mm
        No edge is higher.
    tall
        How tall the tool is before its edges are known; None leaves the model's shares out.

    Returns
    -------
    Fit or None
        None when the ring shrinks to nothing.
    """
    points, guess = resample(start, settings.spacing_mm, guess_mm)
    ring: Ring | None = Ring(points, guess, settings.open_share * guess, guess)
    taller = tall
    for window in settings.windows_mm:
        assert ring is not None
        normal = normals(ring.points_mm, NORMAL_SMOOTH)
        sighting = look(ring, normal, cameras, contours, limit_mm, window, settings)
        x, weight = solve_round(ring, normal, sighting, settings, taller)
        if tall is not None:
            z = sighting.z_mm + x[:, 1] + sighting.side * x[:, 2]
            taller = tallness_by(replace(sighting, z_mm=z), cameras, tall, settings)
        ring = moved(ring, normal, x, weight, limit_mm, settings, hole)
        if ring is None:
            return None
    assert ring is not None
    normal = normals(ring.points_mm, NORMAL_SMOOTH)
    sighting = look(ring, normal, cameras, contours, limit_mm, settings.last_window_mm, settings)
    return Fit(ring, normal, sighting)
