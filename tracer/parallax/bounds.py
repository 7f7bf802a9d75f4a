"""How sure a solved edge is, and between which bounds the photos leave it.

What is left unsaid by the photos is not noise but shape: between the heights at which an edge is
seen the true edge may lie anywhere. The figure to watch is the *left parallax*, the least
``|rho| z / H`` over the photos that show the edge: how far the best of them still looks past it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from tracer.parallax.edges import Camera, Fit

__all__ = ["EdgeQuality", "edge_quality"]

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Left parallax to standard deviation, edges seen from both sides and from one side only. Set on
#: rendered tools with exact silhouettes so that 95 % of the edges lie within two sigma.
BOTH_SIDES, ONE_SIDE = 0.22, 0.38
#: factor on both for edges that two photos show at most
FEW = 1.25
#: |rho| / H below which an edge is seen edge-on: as good as from both sides
EDGE_ON = 0.01


@dataclass(frozen=True, eq=False)
class EdgeQuality:
    """What is known of the N samples of a ring.

    Attributes
    ----------
    sigma_mm
        (N,) standard deviation along the normal, all causes but calibration.
    left_mm
        (N,) left parallax in the best photo.
    one_sided
        (N,) all photos that show the edge look at it from the same side.
    lookers
        (N,) number of photos that show the edge where the others put it.
    low_mm, high_mm
        (N,) bounds of the true edge along the normal, relative to the solved one (low <= 0 <=
        high): the shape may lie anywhere between them without contradicting any photo.
    """

    sigma_mm: Array
    left_mm: Array
    one_sided: Bool
    lookers: NDArray[np.intp]
    low_mm: Array
    high_mm: Array


def edge_quality(
    fit: Fit, cameras: Sequence[Camera], start_mm: float, height_mm: float
) -> EdgeQuality:
    """Judge a solved ring.

    Parameters
    ----------
    fit
        The ring and what the photos show of it.
    cameras
        One per photo.
    start_mm
        One-height solution of the tool.
    height_mm
        Estimated height of the tool; no edge is higher.
    """
    s = fit.sighting
    high = np.array([c.height_mm for c in cameras])[:, None]
    share = s.residual_mm / s.sigma_mm
    agrees = s.seen & (np.abs(share) <= 4.0)
    lookers = agrees.sum(axis=0)

    z = np.maximum(fit.ring.middle_mm, start_mm / 2)
    parallax = np.where(agrees, np.abs(s.rho_mm) * z / high, np.inf)
    left = parallax.min(axis=0)
    none = lookers == 0
    left[none] = (np.abs(s.rho_mm) * z / high).min(axis=0)[none]

    lean = s.rho_mm / high
    before, behind = (agrees & (lean < EDGE_ON)), (agrees & (lean > -EDGE_ON))
    one_sided = ~(before.any(axis=0) & behind.any(axis=0))

    best = np.argmin(parallax, axis=0)
    grain = np.take_along_axis(s.grain_mm, best[None], axis=0)[0] + 0.03
    with np.errstate(all="ignore"):
        strife = np.sqrt((np.where(s.seen, share, 0.0) ** 2).sum(0) / s.seen.sum(0))
    strife = np.where(s.seen.any(axis=0), np.minimum(strife, 4.0), 3.0)
    strife = maximum_filter1d(strife, 5, mode="wrap")
    k = np.where(one_sided, ONE_SIDE, BOTH_SIDES) * np.where(lookers <= 2, FEW, 1.0)
    sigma = np.hypot(grain, k * left) * np.sqrt(1 + strife**2 / 2)
    few = lookers < 2
    sigma[few] = np.maximum(sigma[few], 0.3 + 0.03 * start_mm)

    low, up = convex_bounds(fit, agrees, high, height_mm)
    return EdgeQuality(sigma, left, one_sided, lookers, low, up)


def convex_bounds(
    fit: Fit, agrees: Bool, camera_mm: Array, height_mm: float
) -> tuple[Array, Array]:
    """Bounds of the true edge from the seen places of it, (N,) each.

    With t = rho / (H - h) the seen place of one edge is a convex, piecewise function y(t) whose
    slope is the height seen, 0 to h, and whose value at t = 0 is the true edge: the support
    function of a profile cut across the edge. So each photo bounds it, photos on both sides bound
    it from above by their chord, and two on the same side from below by the line through them.
    Places are the *found* ones; the chord and line are widened by the contours' noise.
    """
    s = fit.sighting
    t = s.rho_mm / (camera_mm - s.z_mm)
    seen_at = t * s.z_mm + s.residual_mm
    noise = s.grain_mm + 0.03
    hidden = ~agrees
    upper = np.where(t > 0, seen_at, seen_at - t * height_mm) + noise
    lower = np.where(t > 0, seen_at - t * height_mm, seen_at) - noise
    upper[hidden], lower[hidden] = np.inf, -np.inf
    up, low = upper.min(axis=0), lower.max(axis=0)
    views = len(t)
    for i in range(views):
        for j in range(i):
            both = agrees[i] & agrees[j]
            run = t[i] - t[j]
            with np.errstate(all="ignore"):
                share = -t[j] / run
                at_zero = seen_at[j] + share * (seen_at[i] - seen_at[j])
                spread = np.hypot(share * noise[i], (1 - share) * noise[j])
            usable = both & (np.abs(run) > 1e-3)
            across = usable & (t[i] * t[j] < 0)
            beside = usable & (t[i] * t[j] > 0)
            up = np.where(across, np.minimum(up, at_zero + spread), up)
            low = np.where(beside, np.maximum(low, at_zero - spread), low)
    blind = ~agrees.any(axis=0)
    reach = np.abs(t).min(axis=0) * height_mm
    up = np.where(blind, reach, np.maximum(up, 0.0))
    low = np.where(blind, -reach, np.minimum(low, 0.0))
    return low, up
