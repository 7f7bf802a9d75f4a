"""Whether an empty pocket is seen: contrast of face and base.

What is seen across a shop is a difference of lightness. A strong red under black looks bright in
a catalogue and has hardly any; about one man in twelve does not see it as red either.

References
----------
Relative luminance and contrast ratio: WCAG 2.1, "relative luminance", "contrast ratio".
Light reflectance value: the luminous reflectance Y of CIE 1931, in per cent (BS 8493).
CIEDE2000: ISO/CIE 11664-6. Colour as a deuteranope sees it: F. Vienot, H. Brettel, J. Mollon,
"Digital video colourmaps for checking the legibility of displays by dichromats", Color Research
and Application 24 (1999); matrix from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

__all__ = ["Contrast", "contrast", "luminance"]

RGB = tuple[int, int, int]
Array = NDArray[np.float64]

_Y_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])
_DEUTERANOPE = np.array(
    [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]
)


@dataclass(frozen=True)
class Contrast:
    """Difference of two colours.

    Attributes
    ----------
    lrv_points
        Difference of light reflectance values.
    ratio
        Contrast ratio, 1 to 21.
    delta_e, delta_e_deuteranope
        CIEDE2000 colour difference, for all eyes and for those that do not tell red from green.
    """

    lrv_points: float
    ratio: float
    delta_e: float
    delta_e_deuteranope: float


def _linear(rgb: RGB) -> Array:
    v = np.asarray(rgb, np.float64) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _encoded(linear: Array) -> Array:
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def luminance(rgb: RGB) -> float:
    """Relative luminance, 0 to 1.

    >>> luminance((255, 255, 255))
    1.0
    """
    return float(round(_linear(rgb) @ _Y_WEIGHTS, 12))


def contrast(first: RGB, second: RGB) -> Contrast:
    """Contrast of two sRGB colours.

    >>> round(contrast((255, 255, 255), (0, 0, 0)).ratio, 6)
    21.0
    """
    a, b = sorted((luminance(first), luminance(second)))
    seen = [np.asarray(c, np.float64)[None, None] / 255 for c in (first, second)]
    dull = [_encoded(_DEUTERANOPE @ _linear(c))[None, None] for c in (first, second)]
    return Contrast(
        lrv_points=100 * (b - a),
        ratio=(b + 0.05) / (a + 0.05),
        delta_e=_delta_e(*seen),
        delta_e_deuteranope=_delta_e(*dull),
    )


def _delta_e(first: Array, second: Array) -> float:
    difference: Array = deltaE_ciede2000(rgb2lab(first), rgb2lab(second))  # type: ignore[no-untyped-call]
    return float(difference.item())
