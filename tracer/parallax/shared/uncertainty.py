"""How sure an edge is once parallax has been taken out of it.

An edge point seen at q on the sheet and lying at height z belongs at ``p = q - (q - N) z / H``
(N nadir, H camera height). Along the edge's outward unit normal n, with rho = (q - N).n, the step
is rho z / H, and first-order propagation gives the terms below. All are standard deviations of
the edge along its normal, in mm.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon

from tracer.geometry.closed_rings import sides
from tracer.geometry.rings import nearest_points
from tracer.model.outline import Cause, EdgeModel, HeightSource

__all__ = [
    "EDGE_SCATTER",
    "HEIGHT_SIGMA_MM",
    "budget_of",
    "class_sigma_mm",
    "height_sigma_edge_mm",
    "pose_sigma_mm",
    "typical_sigma_mm",
]

Array = NDArray[np.float64]

#: Scatter of the seen edge's height, as a fraction of the tool's height, round the model's value.
#: The entry of `EdgeModel.MID` is measured on rendered tools with exact silhouettes (spanners,
#: drivers, power tools, boxes: 0.12 to 0.26 by direction and height). With it, and errors alike
#: over 60 mm of edge, the true outline of such tools fits a pocket widened for 50, 80, 90, 95 % in
#: 42, 82, 92, 94 % of cases: class errors are two-sided and need no bound on top. For the other
#: models the maker has named the class, and what remains are its fillets and chamfers. A learned
#: share carries its own scatter (`tracer.parallax.shared.touch`); its entry is typical,
#: for one without.
EDGE_SCATTER: dict[EdgeModel, float] = {
    EdgeModel.MID: 0.20,
    EdgeModel.THIN: 0.10,
    EdgeModel.UPRIGHT: 0.05,
    EdgeModel.ROUND: 0.05,
    EdgeModel.FRACTION: 0.10,
    EdgeModel.LEARNED: 0.12,
    EdgeModel.VIEWS: 0.0,
}

#: Standard deviation of a tool's height by where it comes from, mm. Typed: a ruler beside the
#: tool, read to a millimetre. Assumed flat: root mean square height of what lies in a drawer.
HEIGHT_SIGMA_MM: dict[HeightSource, float] = {
    HeightSource.TYPED: 1.0,
    HeightSource.DEFAULT: 10.0,
    HeightSource.MEASURED: 3.0,
    HeightSource.LEARNED: 5.0,
    HeightSource.ASSUMED: 25.0,
}


def height_sigma_edge_mm(
    rho_mm: ArrayLike, camera_height_mm: float, edge_fraction: ArrayLike, height_sigma_mm: float
) -> Array:
    """Part of a wrong tool height: ``|rho| / H * f * sigma_h``, f = dz/dh at the edge.

    Examples
    --------
    A tool 2 mm higher than typed, its edge at full height 300 mm from the nadir, seen from 1.5 m:

    >>> height_sigma_edge_mm([300.0], 1500.0, 1.0, 2.0)
    array([0.4])
    """
    rho = np.abs(np.asarray(rho_mm, np.float64))
    return np.asarray(rho / camera_height_mm * np.abs(edge_fraction) * height_sigma_mm)


def class_sigma_mm(
    rho_mm: ArrayLike, camera_height_mm: float, height_mm: float, scatter: ArrayLike
) -> Array:
    """Part of the edge lying at another share of the height than the model says."""
    rho = np.abs(np.asarray(rho_mm, np.float64))
    return np.asarray(rho / camera_height_mm * height_mm * np.asarray(scatter, np.float64))


def pose_sigma_mm(
    rho_mm: ArrayLike,
    normals: ArrayLike,
    z_mm: ArrayLike,
    camera_height_mm: float,
    pose_cov: ArrayLike | None,
) -> Array:
    """Part of the camera's place: covariance (3, 3) of (nadir x, nadir y, height), mm^2.

    The gradient of the edge along its normal is ``(z/H n_x, z/H n_y, rho z / H^2)``.
    """
    rho = np.asarray(rho_mm, np.float64)
    if pose_cov is None:
        return np.zeros_like(rho)
    reach = np.asarray(z_mm, np.float64) / camera_height_mm
    gradient = np.column_stack(
        [np.asarray(normals, np.float64) * reach[:, None], rho * reach / camera_height_mm]
    )
    variance = np.einsum("ni,ij,nj->n", gradient, np.asarray(pose_cov, np.float64), gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def budget_of(
    parts: Mapping[Cause, ArrayLike], points_mm: Array, region: Polygon
) -> dict[Cause, float]:
    """What a ring's deviation is made of, each part typical for the ring.

    Parameters
    ----------
    parts
        By cause its standard deviations (N,) at ``points_mm``, or one for all.
    points_mm
        (N, 2); a vertex of the region takes the values of the nearest.

    Notes
    -----
    Independent parts: variances add (JCGM 100:2008, 5.1.2). With the same weights as
    `typical_sigma_mm` the parts' squares add up to the square of that.
    """
    ring = shapely.get_coordinates(region.exterior)[:-1]
    nearest = nearest_points(points_mm, ring)
    found = {}
    for cause, values in parts.items():
        spread = np.broadcast_to(np.asarray(values, np.float64), (len(points_mm),))
        found[cause] = typical_sigma_mm(spread[nearest], ring)
    return found


def typical_sigma_mm(sigma_ring_mm: ArrayLike, ring_mm: ArrayLike) -> float:
    """Root mean square over a closed ring (N, 2), each vertex weighted by its share of length."""
    ring = np.asarray(ring_mm, np.float64)
    ahead = sides(ring)
    share = ahead + np.roll(ahead, 1)
    if not share.sum() > 0:
        return float(np.sqrt(np.mean(np.square(sigma_ring_mm))))
    return float(np.sqrt(np.average(np.square(sigma_ring_mm), weights=share)))
