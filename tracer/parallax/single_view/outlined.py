"""An outline that rests on one silhouette: what it takes over from it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.silhouette import Kind, Silhouette
from tracer.model.view import PlaneMap
from tracer.parallax.shared.uncertainty import typical_sigma_mm

__all__ = ["outlined"]


def outlined(
    silhouette: Silhouette,
    view: PlaneMap,
    region: Polygon,
    sigma_ring_mm: NDArray[np.float64],
    *,
    outline_id: str,
    name: str,
    height_mm: float | None,
    height_source: HeightSource,
    height_sigma_mm: float,
    method: EdgeModel,
    budget_mm: Mapping[Cause, float],
    bias_bound_mm: float = 0.0,
    revision: int = 1,
) -> Outline:
    """The outline ``region`` of what ``silhouette`` shows in one picture, as `Outline` has it."""
    inside = silhouette.region.representative_point()
    x, y = view.to_photo([[inside.x, inside.y]])[0]
    return Outline(
        outline_id=outline_id,
        name=name,
        region=region,
        height_mm=height_mm if height_mm is not None else 0.0,
        height_source=height_source,
        method=method,
        sigma_mm=typical_sigma_mm(sigma_ring_mm, shapely.get_coordinates(region.exterior)[:-1]),
        sigma_ring_mm=sigma_ring_mm,
        bias_bound_mm=bias_bound_mm,
        confidence=silhouette.confidence,
        photo_ids=(silhouette.photo_id,),
        point_px=(float(x), float(y)),
        cut_by_frame=silhouette.touches_border,
        cable=silhouette.kind is Kind.CABLE,
        height_sigma_mm=height_sigma_mm,
        revision=revision,
        budget_mm=budget_mm,
    )
