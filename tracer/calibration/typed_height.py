"""A camera height that somebody measured, against the one that the cards show."""

from __future__ import annotations

import math

from tracer.calibration.lay import HEIGHT_SIGMA_MM
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity

__all__ = ["contradiction"]

#: of both deviations together: chance does not reach it
MANY_SIGMAS = 4.0
#: what reading a rule to the wrong edge of a phone, or a focal length of whole mm, may add
LEAST_SHARE = 0.08
#: a typed height that is this many times another is a slip of the unit, whatever the lens
IMPOSSIBLE = 2.0


def contradiction(typed_mm: float, untyped: Calibration, photo: Photo) -> Check | None:
    """A finding where cards and lens contradict the typed height; None where they agree.

    Parameters
    ----------
    typed_mm
        Measured height of the first photo's camera.
    untyped
        The lay solved as if no height had been typed.
    photo
        The first photo.

    Raises
    ------
    TracerError
        ``camera-height-impossible`` where it is out by a factor that no rule explains.
    """
    seen = untyped.cameras[0].height_mm
    sigma = math.sqrt(untyped.pose_cov[photo.photo_id][2, 2])
    off = abs(typed_mm - seen)
    if off < max(MANY_SIGMAS * math.hypot(sigma, HEIGHT_SIGMA_MM), LEAST_SHARE * seen):
        return None
    shown = f"{seen:.0f} +/- {sigma:.0f} mm"
    ratio = typed_mm / seen
    if not 1 / IMPOSSIBLE < ratio < IMPOSSIBLE:
        raise TracerError(
            "camera-height-impossible",
            f"A camera height of {typed_mm:g} mm was typed, but the cards in photo "
            f"{photo.name} show the lens {shown} above the sheet.",
            "Measure from the sheet to the lens and mind the unit: 1200, 120cm or 1.2m.",
        )
    return Check(
        "camera-height-contradicted",
        Severity.WARN,
        f"A camera height of {typed_mm:g} mm was typed, but the cards in photo "
        f"{photo.name} show the lens {shown} above the sheet; the cards were believed.",
        "Measure from the sheet to the lens again; if that height is right, the photo was zoomed "
        "or cropped: give it as the camera saved it.",
        value=typed_mm,
        limit=seen,
        unit="mm",
    )
