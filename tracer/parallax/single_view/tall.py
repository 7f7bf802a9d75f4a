"""What one photo cannot know of a tall tool, told with the photos that would mend it."""

from __future__ import annotations

import numpy as np

from tracer.model.outline import HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.model.view import View

__all__ = ["tall_check"]

# An edge that is farther off needs a hand. On 246 outlines of 31 lays with exact truth, one photo
# each, more than this names 62 % of those that need one and 21 % of the others.
USABLE_MM = 2.0
SHARE_SIGMA = 0.22  # of a tool's height, at which the edge is seen: what the learned share leaves
MORE_PHOTOS_MM = 0.8  # what photos from left and right leave, measured on scenes with exact truth


def tall_check(outline: Outline, view: View, called: str) -> Check | None:
    """A finding where the height of the seen edge leaves more than a pocket may have.

    The ray through an edge that is seen at height z meets the sheet farther out by
    rho z / (H - z), with rho the distance from the camera's foot point and H the camera's height.
    How high the edge is seen, one photo must guess: to `SHARE_SIGMA` of the tool's height.

    Parameters
    ----------
    outline
        From one photo.
    view
        Its camera.
    called
        How the sentence names the tool.
    """
    if outline.height_source is HeightSource.ASSUMED or not outline.height_mm > 0:
        return None
    ring = np.asarray(outline.region.exterior.coords)[:-1, :2]
    away = ring - np.asarray(view.nadir_mm)
    rho = np.linalg.norm(away, axis=1)
    spread = rho * outline.height_mm / (view.height_mm - outline.height_mm) * SHARE_SIGMA
    worst = int(np.argmax(spread))
    left_mm = float(spread[worst])
    if left_mm <= USABLE_MM:
        return None
    x, y = ring[worst].tolist()
    return Check(
        "too-tall-for-one-photo",
        Severity.WARN,
        f"{called} is {outline.height_mm:.0f} mm tall: one photo leaves {left_mm:.1f} mm at its "
        f"edge by ({x:.0f}, {y:.0f}) mm.",
        f"Two more photos, from left and right, make it about {MORE_PHOTOS_MM} mm.",
        subject_id=outline.outline_id,
        value=left_mm,
        limit=USABLE_MM,
        unit="mm",
        where_mm=(x, y),
    )
