"""From the height at which a ray touches a tool to the outline as seen from straight above.

A ray that grazes a round flank touches it beyond its widest place: higher where the flank faces
away from the nadir, lower where it faces towards it. Seen from above, that point lies inside the
outline. The ray meets the plumb line of the outline at another height, and that is the height by
which the edge is displaced. For a section of radius r with its middle at height m, and the ray
leaning by theta (tan theta = rho / H), the same triangle as for a lying bar gives

    touched:  m + r sin theta        displaced by:  m + r tan(theta / 2)

Upright walls are the case r = 0: both heights agree.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.model.outline import EdgeModel
from tracer.parallax.shared.uncertainty import EDGE_SCATTER

__all__ = ["displacing_share", "learned_scatter"]

Array = NDArray[np.float64]

UNFAMILIAR = 0.05
"""Standard deviation of the share that a learned model leaves out of its own on tools unlike those
it was trained on: where it states 0.05 of the height, its error is 0.07 there."""


def displacing_share(touched: ArrayLike, rho_mm: ArrayLike, camera_height_mm: float) -> Array:
    """Height (N,) by which an edge is displaced, as a share of the tool's height.

    The flank's section is taken to be the largest circle that is touched at that height and lies
    between the sheet and the tool's top. So an edge at the very top or on the sheet is a corner,
    and one at mid height that of a round body.

    Parameters
    ----------
    touched
        (N,) height at which the ray touches the tool over the tool's height; NaN stays NaN.
    rho_mm
        (N,) distance of the edge's line from the nadir, signed.

    Examples
    --------
    A bar lying on the sheet, at 45 degrees: touched at (1 + sin 45) / 2 of its height.

    >>> displacing_share([0.8536, 1.0, 0.0], [1000.0, 1000.0, -1000.0], 1000.0).round(3)
    array([0.707, 1.   , 0.   ])
    """
    share = np.asarray(touched, np.float64)
    return np.asarray(share - _excess(share, rho_mm, camera_height_mm))


def learned_scatter(
    touched: ArrayLike, sigma: ArrayLike, rho_mm: ArrayLike, camera_height_mm: float
) -> Array:
    """Standard deviation (N,) of `displacing_share`; the usual model's where nothing is known.

    Parameters
    ----------
    touched, sigma
        (N,) share and its standard deviation as the learned model states them. Where it states
        none, `EDGE_SCATTER` has a typical one.
    """
    share = np.asarray(touched, np.float64)
    stated = np.asarray(sigma, np.float64)
    own = np.where(np.isfinite(stated), stated, EDGE_SCATTER[EdgeModel.LEARNED])
    # the section may be a corner as well as the largest circle
    shape = _excess(share, rho_mm, camera_height_mm) / 2
    all_of_it = np.sqrt(own**2 + UNFAMILIAR**2 + shape**2)
    return np.where(np.isfinite(share), all_of_it, EDGE_SCATTER[EdgeModel.MID])


def _excess(share: Array, rho_mm: ArrayLike, camera_height_mm: float) -> Array:
    """Touched height less displacing height, as a share of the tool's height; signed as rho."""
    lean = np.arctan(np.asarray(rho_mm, np.float64) / camera_height_mm)
    sine = np.sin(lean)
    on_sheet, under_top = share / (1 + sine), (1 - share) / (1 - sine)
    radius = np.clip(np.minimum(on_sheet, under_top), 0.0, None)
    return np.asarray(radius * (sine - np.tan(lean / 2)))
