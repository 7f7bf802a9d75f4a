"""At which height a photo sees a tool's edge, by edge model.

A silhouette alone does not tell which part of the tool makes its edge: a box shows its top edge
on the side away from the nadir and its foot on the near side; a bar shows its flanks. With rho
the signed distance of the edge's line from the nadir (positive: the edge faces away from it), an
edge seen at height z is displaced by ``rho z / H`` along its normal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.model.outline import EdgeModel

__all__ = ["UNKNOWN_FRACTION", "edge_height_mm"]

Array = NDArray[np.float64]

FAR_FRACTION, NEAR_FRACTION = 0.5, 0.3
"""Height of the seen edge over the tool's height, facing away from the nadir and towards it:
means over rendered tools of many shapes. The edge towards the nadir is seen lower."""
LOW_FAR_FRACTION = 0.6
"""The same for low tools facing away: spanners, keys and blades have nearly upright sides."""
LOW_MM, NOT_LOW_MM = 15.0, 25.0  # between these heights the two far fractions blend
TURN_MM = 20.0  # |rho| within which an edge counts as neither: it hardly moves there anyway
UNKNOWN_FRACTION = (FAR_FRACTION + NEAR_FRACTION) / 2


def edge_height_mm(
    rho_mm: ArrayLike,
    camera_height_mm: float,
    height_mm: float,
    edge: EdgeModel,
    edge_fraction: ArrayLike | None = None,
) -> Array:
    """Height z (N,) of the seen edge above the sheet.

    ``round`` is the tangent of the ray to a lying bar of diameter ``height_mm``:
    ``delta = r (t + sqrt(1 + t^2) - 1)``, t = rho / H, from the triangle camera, axis, tangent
    point; z = delta / t. ``upright`` gives the top edge where the edge faces away and the foot
    where it faces towards the nadir; `prism` treats the turn between the two exactly.

    Parameters
    ----------
    rho_mm
        (N,) distance of the edge's line from the nadir, signed.
    edge_fraction
        z over ``height_mm`` for `EdgeModel.FRACTION` (one number) and `EdgeModel.LEARNED`
        ((N,), NaN where unknown: `EdgeModel.MID` there).

    Examples
    --------
    >>> edge_height_mm([-400.0, 400.0], 1000.0, 30.0, EdgeModel.MID).round(1)
    array([ 9., 15.])
    """
    rho = np.asarray(rho_mm, np.float64)
    if edge is EdgeModel.THIN:
        return np.zeros_like(rho)
    if edge is EdgeModel.UPRIGHT:
        return np.where(rho > 0, height_mm, 0.0)
    if edge is EdgeModel.ROUND:
        t = rho / camera_height_mm
        return np.asarray(height_mm / 2 * (1 + t / (1 + np.sqrt(1 + t * t))))
    if edge is EdgeModel.FRACTION:
        if edge_fraction is None:
            raise ValueError("a typed edge fraction is needed")
        return np.broadcast_to(np.asarray(edge_fraction, np.float64) * height_mm, rho.shape)
    side = rho / np.hypot(rho, TURN_MM)
    far = float(np.interp(height_mm, [LOW_MM, NOT_LOW_MM], [LOW_FAR_FRACTION, FAR_FRACTION]))
    mid = (far + NEAR_FRACTION) / 2 + (far - NEAR_FRACTION) / 2 * side
    if edge is EdgeModel.LEARNED and edge_fraction is not None:
        learned = np.asarray(edge_fraction, np.float64)
        mid = np.where(np.isfinite(learned), learned, mid)
    return np.asarray(mid * height_mm)
