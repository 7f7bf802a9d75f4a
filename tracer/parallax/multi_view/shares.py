"""What the learned model says of an edge's height, beside what several photos show of it.

The model tells at which share of a tool's height a camera sees its edge. Where the photos see an
edge from different sides, parallax tells its height far better. Where all of them see it from the
same side, parallax tells next to nothing, and a share is worth a lot, once the tool's height is
known. That comes of the other edges: their heights over their shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.parallax.shared.let_go import let_go

__all__ = ["FAR", "Tallness", "told_heights"]

Array = NDArray[np.float64]

ROUGH_MM = 1.0  # what a tool's edge goes up and down by over a sample
#: Errors of neighbouring shares go together over about this length of edge: 20 mm.
TOGETHER_MM = 20.0
LEAST_SPREAD = 0.10  # of a tool's height: shares err alike all round it
FEWEST = 10  # samples
FAR = 2.0  # deviations at which a share counts a quarter
ROUNDS = 5


@dataclass(frozen=True)
class Tallness:
    """How tall a tool is, and the standard deviation of that, mm."""

    height_mm: float
    sigma_mm: float

    def with_edges(
        self, z_mm: Array, z_variance: Array, share: Array, share_sigma: Array, spacing_mm: float
    ) -> Tallness:
        """The same, with what the edges' heights over their shares say of it.

        Parameters
        ----------
        z_mm
            (V, N) heights at which V photos see N samples of an edge.
        z_variance
            (N,) their variance by parallax, mm^2.
        share, share_sigma
            (V, N) what the model says of them; NaN where it says nothing.
        """
        known = np.isfinite(share) & np.isfinite(share_sigma)
        count = known.sum(axis=0)
        at = (count > 0) & np.isfinite(z_variance)
        if np.count_nonzero(at) < FEWEST:
            return self
        z, s, doubt = (
            np.where(known, v, 0.0).sum(axis=0)[at] / count[at] for v in (z_mm, share, share_sigma)
        )
        each = spacing_mm / TOGETHER_MM  # what a sample is worth
        own, height, total = 1 / self.sigma_mm**2, self.height_mm, 0.0
        for _ in range(ROUNDS):
            variance = z_variance[at] + (doubt * height) ** 2 + ROUGH_MM**2
            weight = each * let_go((z - s * height) ** 2 / (FAR**2 * variance)) / variance
            total = own + float(np.sum(weight * s**2))
            height = (own * self.height_mm + float(np.sum(weight * s * z))) / total
        return Tallness(height, float(np.hypot(1 / np.sqrt(total), LEAST_SPREAD * height)))


def told_heights(tall: Tallness, share: Array, share_sigma: Array) -> tuple[Array, Array]:
    """Heights (V, N) that shares mean for a tool, and their weights, 1 / mm^2.

    What the model errs by in one photo it errs by in the others: all V photos together weigh as
    much as one. Where nothing is said the weight is 0.
    """
    height = share * tall.height_mm
    variance = (
        (share_sigma * tall.height_mm) ** 2 + (share * tall.sigma_mm) ** 2 + ROUGH_MM**2
    ) * len(share)
    known = np.isfinite(height) & np.isfinite(variance)
    return np.where(known, height, 0.0), np.where(known, 1 / np.where(known, variance, 1.0), 0.0)
