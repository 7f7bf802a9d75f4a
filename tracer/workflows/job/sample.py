"""What a few readings say: mean, deviation, and how far the mean may be trusted.

Three readings say little, and that is to be seen: the interval of their mean is Student's, 4.3
standard errors to either side for three and not 2. A correction is made only where the interval
leaves zero out (JCGM 100, 3.2.4: corrections are for effects that were recognised).

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, sections 1.3.5.2 (confidence limits for the mean)
and 1.3.5.8 (chi-square test for the standard deviation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

__all__ = ["LEVEL", "Sample"]

#: of all intervals: own choice, the usual one
LEVEL = 0.95


@dataclass(frozen=True)
class Sample:
    """Readings of one quantity in mm, taken as independent and normal.

    ``wholes_mm`` are means of parts of the readings that have something in common, such as the
    sizes in one photo. Where there are several, the mean is no surer than their scatter lets it be.

    Examples
    --------
    >>> told = Sample((0.1, 0.2, 0.3))
    >>> round(told.mean_mm, 3), round(told.deviation_mm, 3), round(told.half_mm, 3)
    (0.2, 0.1, 0.248)
    >>> told.shown, Sample((0.19, 0.2, 0.21)).shown, Sample((0.2,)).shown
    (False, True, False)
    """

    values_mm: tuple[float, ...]
    wholes_mm: tuple[float, ...] = ()

    @property
    def mean_mm(self) -> float:
        """Of the readings."""
        return float(np.mean(self.values_mm))

    @property
    def deviation_mm(self) -> float:
        """Standard deviation of one reading; infinite where there is but one."""
        if len(self.values_mm) < 2:
            return float("inf")
        return float(np.std(self.values_mm, ddof=1))

    @property
    def half_mm(self) -> float:
        """Half the width of the mean's interval; infinite where there is but one reading."""
        among = _half(self.values_mm)
        return max(among, _half(self.wholes_mm)) if len(self.wholes_mm) > 1 else among

    @property
    def shown(self) -> bool:
        """Whether the interval of the mean leaves zero out."""
        return abs(self.mean_mm) > self.half_mm

    @property
    def correction_mm(self) -> float:
        """What is to be added so that the mean is zero; 0 where it is not told from zero."""
        return -self.mean_mm if self.shown else 0.0

    def differs(self, sigma_mm: float) -> bool:
        """Whether the readings scatter otherwise than a stated deviation says."""
        n = len(self.values_mm)
        if n < 2:
            return False
        if sigma_mm <= 0:
            return self.deviation_mm > 0
        ratio = (n - 1) * (self.deviation_mm / sigma_mm) ** 2
        low = float(stats.chi2.ppf((1 - LEVEL) / 2, n - 1))
        high = float(stats.chi2.ppf((1 + LEVEL) / 2, n - 1))
        return not low <= ratio <= high


def _half(values_mm: tuple[float, ...]) -> float:
    n = len(values_mm)
    if n < 2:
        return float("inf")
    quantile = float(stats.t.ppf((1 + LEVEL) / 2, n - 1))
    return quantile * float(np.std(values_mm, ddof=1)) / float(np.sqrt(n))
