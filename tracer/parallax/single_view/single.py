"""One photo: from the silhouette on the sheet to the outline seen from straight above.

Vocabulary
----------
nadir
    The sheet point N straight below the camera, which hangs H above it.
relief displacement
    A point at height z above p shows on the sheet at ``q = N + (p - N) H / (H - z)``, away from
    the nadir (any photogrammetry textbook: d = r h / H, with r measured to the displaced point).
rho
    ``(q - N).n`` with n the edge's outward normal: positive where the edge faces away from the
    nadir. Along its normal an edge seen at q and lying at height z is displaced by ``rho z / H``.
edge model
    Says at which height z the seen edge lies, given its direction and the tool's height.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.geometry.rings import nearest_points
from tracer.model.calibration import SigmaMap
from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Silhouette
from tracer.model.view import View
from tracer.parallax.shared.edge_models import UNKNOWN_FRACTION, edge_height_mm
from tracer.parallax.shared.touch import displacing_share, learned_scatter
from tracer.parallax.shared.uncertainty import (
    EDGE_SCATTER,
    HEIGHT_SIGMA_MM,
    budget_of,
    class_sigma_mm,
    height_sigma_edge_mm,
    pose_sigma_mm,
)
from tracer.parallax.single_view.outlined import outlined
from tracer.parallax.single_view.prism import prism, stands_round
from tracer.parallax.single_view.relief import brought_down, largest, relief_corrected
from tracer.parallax.single_view.sampled_ring import SampledRing, sampled

__all__ = [
    "Compensation",
    "compensate",
    "edge_model_for",
    "outline_from_silhouette",
    "refuse_negative",
]

Array = NDArray[np.float64]

LEAST_AREA_SHARE = 0.4  # a footprint smaller than this share of what is seen is not believed
MIN_PIECE_SHARE = 0.01  # pieces below this share of the area are specks


@dataclass(frozen=True, eq=False)
class Compensation:
    """A silhouette brought down to the sheet.

    Attributes
    ----------
    region
        Polygon with holes, mm.
    sigma_ring_mm
        (N,) standard deviation along the normal per exterior vertex (closing point left out).
    bias_bound_mm
        How far the true edge may lie outside the given one beyond what the standard deviation
        covers. 0 for one photo: the scatter of edge heights round every model is part of the
        standard deviation (`tracer.parallax.shared.uncertainty.EDGE_SCATTER`).
    method
        Edge model used in the end.
    checks
        Findings; ``subject_id`` is the silhouette's id.
    budget_mm
        What the deviation is made of (`tracer.parallax.shared.uncertainty.budget_of`).
    """

    region: Polygon
    sigma_ring_mm: Array
    bias_bound_mm: float
    method: EdgeModel
    checks: tuple[Check, ...] = ()
    budget_mm: Mapping[Cause, float] = field(default_factory=dict)


def compensate(
    silhouette: Silhouette,
    view: View,
    *,
    height_mm: float,
    edge: EdgeModel = EdgeModel.MID,
    edge_fraction: float | None = None,
    height_sigma_mm: float = HEIGHT_SIGMA_MM[HeightSource.TYPED],
    pose_cov: ArrayLike | None = None,
    sigma_map: SigmaMap | None = None,
) -> Compensation:
    """Bring a silhouette down to the sheet: what one would see from straight above.

    Each ring point moves along its ray by the height that the edge model gives it; for
    `EdgeModel.UPRIGHT` the footprint is exact (`prism`).

    Parameters
    ----------
    height_mm
        Highest point of the tool above the sheet.
    edge_fraction
        For `EdgeModel.FRACTION`: height of the seen edge over ``height_mm``, 0 to 1.
    height_sigma_mm
        Standard deviation of ``height_mm``.
    pose_cov
        (3, 3) covariance of nadir x, nadir y and camera height, mm^2.
    sigma_map
        Standard deviation of the photo-to-sheet map.

    Raises
    ------
    TracerError
        ``height-negative``, ``height-above-camera``, ``edge-fraction-range``.
    """
    _refuse(silhouette, view, height_mm, edge, edge_fraction)
    sigma = silhouette.sigma_mm if len(silhouette.sigma_mm) else 0.0
    learned, doubt = (
        v if len(v) else np.nan for v in (silhouette.edge_height, silhouette.edge_height_sigma)
    )
    region = silhouette.region
    outer = sampled(shapely.get_coordinates(region.exterior), sigma, learned, doubt)
    nadir, camera = view.nadir_mm, view.height_mm
    checks: list[Check] = []
    if edge is EdgeModel.UPRIGHT:
        footprint = prism(region, nadir, camera, height_mm)
        shape, lost = largest(footprint), _lost(footprint)
        if shape.area < LEAST_AREA_SHARE * region.area:
            checks.append(_collapsed(silhouette, height_mm, shape.area / region.area))
            edge = EdgeModel.MID
        elif lost > MIN_PIECE_SHARE:
            checks.append(_in_pieces(silhouette, lost))
    rho = outer.rho_mm(nadir)
    fraction = _share(edge, edge_fraction, outer, nadir, camera)
    z = edge_height_mm(rho, camera, height_mm, edge, fraction)
    if edge is not EdgeModel.UPRIGHT:
        holes = []
        for inner in (sampled(shapely.get_coordinates(r)) for r in region.interiors):
            share_of_hole = _share(edge, edge_fraction, inner, nadir, camera)
            rho_of_hole = inner.rho_mm(nadir)
            holes.append(
                (inner, edge_height_mm(rho_of_hole, camera, height_mm, edge, share_of_hole))
            )
        shape, z = brought_down(outer, z, holes, nadir, camera)
    moved = relief_corrected(outer, nadir, camera, z)
    share = z / height_mm if height_mm > 0 else np.full(len(z), UNKNOWN_FRACTION)
    scatter: ArrayLike = EDGE_SCATTER[edge]
    if edge is EdgeModel.LEARNED:
        scatter = learned_scatter(outer.fraction, outer.fraction_sigma, rho, camera)
    terms: dict[Cause, Array] = {
        Cause.SILHOUETTE: np.asarray(outer.sigma_mm),
        Cause.HEIGHT: height_sigma_edge_mm(rho, camera, share, height_sigma_mm),
        Cause.EDGE_CLASS: class_sigma_mm(rho, camera, height_mm, scatter),
        Cause.CAMERA: pose_sigma_mm(rho, outer.normals, z, camera, pose_cov),
    }
    if sigma_map is not None:
        terms[Cause.SHEET] = sigma_map.at(moved)
    spread = np.sqrt(np.sum(np.square(list(terms.values())), axis=0))
    return Compensation(
        shape,
        _carried(shape, moved, spread),
        0.0,
        edge,
        tuple(checks),
        budget_of(terms, moved, shape),
    )


def _share(
    edge: EdgeModel, typed: float | None, ring: SampledRing, nadir: Array, camera_height_mm: float
) -> ArrayLike | None:
    if edge is EdgeModel.FRACTION:
        return typed
    return displacing_share(ring.fraction, ring.rho_mm(nadir), camera_height_mm)


def _carried(region: Polygon, points_mm: Array, values: Array) -> Array:
    """Values known at points, carried to the exterior vertices of a region by nearness."""
    ring = shapely.get_coordinates(region.exterior)[:-1]
    return np.asarray(values[nearest_points(points_mm, ring)], np.float64)


def _lost(footprint: BaseGeometry) -> float:
    """Share of a footprint's area outside its largest piece."""
    if not isinstance(footprint, MultiPolygon):
        return 0.0
    return 1 - max(g.area for g in footprint.geoms) / footprint.area


def _refuse(
    silhouette: Silhouette,
    view: View,
    height_mm: float,
    edge: EdgeModel,
    edge_fraction: float | None,
) -> None:
    refuse_negative(silhouette, height_mm)
    if not height_mm < view.height_mm:
        raise TracerError(
            "height-above-camera",
            f"The height of {silhouette.silhouette_id} is given as {height_mm:g} mm, but the "
            f"camera was only {view.height_mm:.0f} mm above the sheet.",
            "Check the unit and the decimal point in the tool list.",
        )
    if edge is EdgeModel.FRACTION and (edge_fraction is None or not 0 <= edge_fraction <= 1):
        raise TracerError(
            "edge-fraction-range",
            f"The edge of {silhouette.silhouette_id} needs a fraction of its height from 0 to 1, "
            f"not {edge_fraction}.",
            "Type 0 for an edge on the sheet, 1 for one at full height.",
        )


def refuse_negative(silhouette: Silhouette, height_mm: float) -> None:
    """Stop at a height that is below the sheet, or no number.

    Raises
    ------
    TracerError
        ``height-negative``.
    """
    if not height_mm >= 0:
        raise TracerError(
            "height-negative",
            f"The height of {silhouette.silhouette_id} is given as {height_mm:g} mm.",
            "Type the height of its highest point above the sheet, in mm.",
        )


def _collapsed(silhouette: Silhouette, height_mm: float, share: float) -> Check:
    return Check(
        "upright-collapsed",
        Severity.WARN,
        f"With upright sides {height_mm:g} mm high only {100 * share:.0f} % of "
        f"{silhouette.silhouette_id} would remain, so its edge was taken at mid height.",
        "Check its height, or leave the edge open in the tool list.",
        subject_id=silhouette.silhouette_id,
        value=share,
        limit=LEAST_AREA_SHARE,
    )


def _in_pieces(silhouette: Silhouette, lost: float) -> Check:
    return Check(
        "upright-pieces",
        Severity.WARN,
        f"With upright sides {silhouette.silhouette_id} falls into pieces; "
        f"{100 * lost:.0f} % of its area was left out.",
        "Check its height, or leave the edge open in the tool list.",
        subject_id=silhouette.silhouette_id,
        value=lost,
        limit=MIN_PIECE_SHARE,
    )


def edge_model_for(silhouette: Silhouette, view: View, height_mm: float) -> EdgeModel:
    """Edge model where nobody named one.

    `EdgeModel.LEARNED` where a learned model has marked the edge, `EdgeModel.UPRIGHT` for round
    bodies on their end (`stands_round`), else `EdgeModel.MID`.
    """
    if np.isfinite(silhouette.edge_height).any():
        return EdgeModel.LEARNED
    if 0 < height_mm < view.height_mm:
        region, nadir = silhouette.region, view.nadir_mm
        if stands_round(region, nadir, view.height_mm, height_mm):
            return EdgeModel.UPRIGHT
    return EdgeModel.MID


def outline_from_silhouette(
    silhouette: Silhouette,
    view: View,
    *,
    outline_id: str,
    name: str | None = None,
    height_mm: float | None = None,
    height_source: HeightSource = HeightSource.TYPED,
    height_sigma_mm: float | None = None,
    edge: EdgeModel | None = None,
    edge_fraction: float | None = None,
    pose_cov: ArrayLike | None = None,
    sigma_map: SigmaMap | None = None,
    revision: int = 1,
) -> tuple[Outline, tuple[Check, ...]]:
    """Outline of one tool from one photo, with its findings.

    Without an edge model `edge_model_for` chooses one. Without a height the silhouette is taken
    as flat, with a warning that states the error per 10 mm of height; the standard deviation then
    covers tools of common heights.

    Raises
    ------
    TracerError
        As `compensate`.
    """
    label = name or outline_id
    known = height_mm is not None
    source = height_source if known else HeightSource.ASSUMED
    height_sigma = HEIGHT_SIGMA_MM[source] if height_sigma_mm is None else height_sigma_mm
    result = compensate(
        silhouette,
        view,
        height_mm=height_mm if height_mm is not None else 0.0,
        edge=edge_model_for(silhouette, view, height_mm or 0.0) if edge is None else edge,
        edge_fraction=edge_fraction,
        height_sigma_mm=height_sigma,
        pose_cov=pose_cov,
        sigma_map=sigma_map,
    )
    checks = [replace(c, subject_id=outline_id) for c in result.checks]
    if not known:
        checks.append(_height_unknown(silhouette, view, outline_id, label))
    return outlined(
        silhouette,
        view,
        result.region,
        result.sigma_ring_mm,
        outline_id=outline_id,
        name=label,
        height_mm=height_mm,
        height_source=source,
        height_sigma_mm=height_sigma,
        method=result.method,
        budget_mm=result.budget_mm,
        bias_bound_mm=result.bias_bound_mm,
        revision=revision,
    ), tuple(checks)


def _height_unknown(silhouette: Silhouette, view: View, outline_id: str, label: str) -> Check:
    outer = sampled(shapely.get_coordinates(silhouette.region.exterior))
    rho = float(np.max(np.abs(outer.rho_mm(view.nadir_mm))))
    per_10_mm = rho * 10.0 / view.height_mm
    return Check(
        "height-unknown",
        Severity.WARN,
        f"No height is known for {label}: it was taken as flat, and its edge may be out by up to "
        f"{per_10_mm:.1f} mm for every 10 mm of its height.",
        "Type its height in the tool list and run again.",
        subject_id=outline_id,
        value=per_10_mm,
        unit="mm per 10 mm",
    )
