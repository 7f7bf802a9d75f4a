"""What is known of a photo's camera before any card is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, log

from tracer.calibration.layout import Layout, Prior
from tracer.calibration.lens import LENS_PARAMETERS
from tracer.calibration.solve import Fit
from tracer.model.photo import Photo

__all__ = [
    "Optics",
    "as_contradicted",
    "as_cropped",
    "contradicts",
    "focal_px",
    "group_cameras",
    "lens_priors",
    "middle_shift",
    "optics_of",
    "starting_lens",
]

FULL_FRAME_DIAGONAL_MM = hypot(36.0, 24.0)
USUAL_FOCAL_35MM = 26.0  # main camera of most phones, common practice, no source
WIDE_BELOW_MM = 24.0
#: 35 mm equivalents are whole numbers: +/- 2 %
SIGMA_LN_F, SIGMA_LN_F_UNKNOWN, SIGMA_LN_F_OTHER_SHAPE = 0.03, 0.25, 0.07
#: between two shots of one camera, by focusing
SIGMA_LN_F_FOCUS = 0.005
#: of the longer side; a cropped photo may have its middle anywhere
SIGMA_MIDDLE, SIGMA_MIDDLE_CROPPED = 0.003, 0.1
SIGMA_RADIAL, SIGMA_RADIAL_WIDE = (0.08, 0.2, 0.1), (0.12, 0.2, 0.1)
SIGMA_TANGENTIAL = 0.0005


@dataclass(frozen=True)
class Optics:
    """Likely lens of one photo.

    ``stored_size_px`` is the size before the photo was turned upright; ``focal_px`` with
    ``sigma_ln_f``; ``known`` says whether the file told the focal length, ``cropped`` whether
    it is known to be cut from a larger picture, ``contradicted`` whether the cards showed that the
    focal length in the file is wrong.
    """

    stored_size_px: tuple[int, int]
    focal_px: float
    sigma_ln_f: float
    known: bool
    wide: bool
    cropped: bool
    contradicted: bool = False

    @property
    def middle_px(self) -> tuple[float, float]:
        """Middle of the stored picture."""
        return (self.stored_size_px[0] - 1) / 2, (self.stored_size_px[1] - 1) / 2


def focal_px(focal_35mm: float, size_px: tuple[int, int]) -> float:
    """Focal length in pixels from the 35 mm equivalent, which is by diagonal (CIPA DCG-001).

    >>> round(focal_px(26.0, (4032, 3024)), 1)
    3028.7
    """
    return focal_35mm * hypot(*size_px) / FULL_FRAME_DIAGONAL_MM


def optics_of(photo: Photo) -> Optics:
    """Likely lens of a photo."""
    size = photo.size_px if photo.quarter_turns % 2 == 0 else photo.size_px[::-1]
    cropped = any(check.slug == "photo-cropped" for check in photo.checks)
    known = photo.focal_35mm is not None
    focal_35mm = photo.focal_35mm or USUAL_FOCAL_35MM
    focal = focal_px(focal_35mm, size)
    sigma = SIGMA_LN_F if known else SIGMA_LN_F_UNKNOWN
    long, short = max(size), min(size)
    if known and (cropped or long / short > 1.55 or long / short < 1.25):
        # a strip of a 4:3 sensor: whether the equivalent means the strip's diagonal or the
        # sensor's is not said, so take the middle of both
        whole = focal_px(focal_35mm, (long, max(short, round(0.75 * long))))
        focal = (focal * whole) ** 0.5
        sigma = SIGMA_LN_F_UNKNOWN if cropped else SIGMA_LN_F_OTHER_SHAPE
    return Optics(size, focal, sigma, known, focal_35mm < WIDE_BELOW_MM, cropped)


def as_cropped(optics: Optics) -> Optics:
    """The same lens behind a picture cut from a larger one."""
    return replace(optics, sigma_ln_f=SIGMA_LN_F_UNKNOWN, cropped=True)


def as_contradicted(optics: Optics) -> Optics:
    """The same lens, the focal length in the file no longer believed."""
    return replace(optics, sigma_ln_f=SIGMA_LN_F_UNKNOWN, contradicted=True)


def contradicts(optics: Optics, ln_f: float) -> bool:
    """Whether a focal length found by a fit is far from the one in the photo's file."""
    return optics.known and abs(ln_f - log(optics.focal_px)) > 2.5 * optics.sigma_ln_f


def middle_shift(fit: Fit, photo: int, optics: Optics) -> float:
    """How far a fitted lens looks beside the picture's middle, as a share of the longer side."""
    lens = fit.layout.lens_of(fit.x, photo)
    x, y = optics.middle_px
    return float(hypot(lens[1] - x, lens[2] - y) / max(optics.stored_size_px))


def group_cameras(photos: Sequence[Photo], optics: Sequence[Optics]) -> tuple[int, ...]:
    """Camera index per photo: equal for photos of one lens setting.

    Photos that do not say what took them each get a camera of their own.
    """
    seen: dict[object, int] = {}
    cameras = []
    for k, (photo, lens) in enumerate(zip(photos, optics, strict=True)):
        key: object = k
        if lens.known and not lens.cropped and not lens.contradicted:
            key = (photo.camera_key, photo.focal_35mm, lens.stored_size_px)
        cameras.append(seen.setdefault(key, len(seen)))
    return tuple(cameras)


def starting_lens(optics: Optics, bend: float) -> list[float]:
    """First guess of a camera's parameters."""
    return [log(optics.focal_px), *optics.middle_px, bend, 0.0, 0.0, 0.0, 0.0]


def lens_priors(layout: Layout, optics: Sequence[Optics]) -> list[Prior]:
    """Priors of all cameras and of the focus between shots."""
    priors: list[Prior] = []
    for camera in range(layout.cameras):
        lens = optics[layout.camera_of.index(camera)]
        middle = SIGMA_MIDDLE_CROPPED if lens.cropped else SIGMA_MIDDLE
        radial = SIGMA_RADIAL_WIDE if lens.wide or not lens.known else SIGMA_RADIAL
        means = [log(lens.focal_px), *lens.middle_px, 0.0, 0.0, 0.0, 0.0, 0.0]
        middle_px = middle * max(lens.stored_size_px)
        sigmas = [lens.sigma_ln_f, middle_px, middle_px, *radial, *[SIGMA_TANGENTIAL] * 2]
        start = layout.lens(camera).start
        priors += [Prior(start + k, means[k], sigmas[k]) for k in range(LENS_PARAMETERS)]
    for photo, camera in enumerate(layout.camera_of):
        if layout.camera_of.count(camera) > 1:
            priors.append(Prior(layout.photo(photo).stop - 1, 0.0, SIGMA_LN_F_FOCUS))
    return priors
