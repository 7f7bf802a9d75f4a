"""What a photo of a new tool shows, so that a person can point at the one that is meant."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np
import shapely
from PIL import Image, ImageOps
from shapely.geometry import Polygon

from tracer.model.silhouette import Silhouette
from tracer.photos import decode_photo
from tracer.workflows.tracing.trace import Trace

__all__ = ["photo_picture", "seen_record"]

SHOWN_PX = 1400  # the longer side of the picture on the page
SLIM_MM = 0.3


def seen_record(
    done: Trace, chosen: Polygon | None, point_px: tuple[float, float] | None
) -> dict[str, Any]:
    """Edges as the first photo shows them (upright px), a point inside each, which is taken.

    Parameters
    ----------
    chosen
        The outline that is taken, in the photos' frame.
    point_px
        Where somebody pointed.
    """
    view = done.calibration.views[0]
    tools = []
    for silhouette in done.segmentations[0].silhouettes:
        slim = Polygon(silhouette.region.exterior).simplify(SLIM_MM)
        ring = shapely.get_coordinates(slim)[:-1]
        inside = silhouette.region.representative_point()
        at = view.to_photo([(inside.x, inside.y)])[0]
        tools.append(
            {
                "ring": np.round(view.to_photo(ring), 1).tolist(),
                "at": np.round(at, 1).tolist(),
                "taken": chosen is not None and _is(silhouette, chosen),
            }
        )
    return {"size_px": list(view.size_px), "tools": tools, "point_px": point_px}


def _is(silhouette: Silhouette, chosen: Polygon) -> bool:
    """Whether an edge is that of an outline; they part by a tool's height alone."""
    both = silhouette.region.intersection(chosen).area
    return bool(both > 0.5 * min(silhouette.region.area, chosen.area))


def photo_picture(data: bytes, name: str) -> bytes:
    """The photo, upright, small enough for a page; errors as `decode_photo`."""
    photo = decode_photo(data, name)
    small = ImageOps.contain(Image.fromarray(photo.pixels), (SHOWN_PX, SHOWN_PX))
    out = BytesIO()
    small.save(out, "JPEG", quality=85, icc_profile=photo.icc_profile or b"")
    return out.getvalue()
