"""Which outlines want a look: the probability that one needs a hand before it is cut.

An outline is *usable as it is* if, at its best place, 95 % of its edge lies within 2 mm of the true
one and nothing is over 4 mm off. From one photo, how likely it is not follows from four signs by
logistic regression: the largest stated deviation of its edge (height and sheet are in it), the
expected wrong share of the decision at the place in most doubt, width, and length of the edge.

The weights were fitted on 281 outlines of 36 single photos of 17 lays with exact truth, heights
typed, when each photo was looked at once by one network. Since two networks look at it twice each,
they were scaled and moved, on 320 outlines of 39 photos of 22 lays. Left out lay by lay, the area
under the ROC curve is 0.87, and in six bins the stated probability and the share that was not
usable differ by 0.02, 0.02, 0.08, 0.00, 0.02 and 0.02 (``python -m tests.benchmarks.doubt``); five
weights fitted anew tell less. How faint the edge is, how sure the decision is on the mean, whether
turned pictures give the same answer, and by how much the networks differ, told nothing more.

With several photos the photos decide together and seldom disagree; what they leave open is in the
deviation that is stated along the edge, and its largest value says nearly all. Fitted in the same
way on 189 outlines of 22 sets of two to four photos of 8 lays, nothing typed: left out lay by lay,
the area under the ROC curve is 0.89; of what was stated as up to 0.1, 0.3, 0.6 and 1, in the mean
0.04, 0.18, 0.47 and 0.74, 0.05, 0.12, 0.53 and 0.74 were not usable. What a photo's own decision is
in doubt of told hardly more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Kind, Silhouette

__all__ = [
    "LOOK_FROM",
    "LOOK_FROM_TOGETHER",
    "doubt_check",
    "signs",
    "together_check",
    "unusable",
    "unusable_together",
]

LOOK_FROM = 0.2  # names nine of ten that are not usable, and four or five of ten others
LOOK_FROM_TOGETHER = 0.3  # names nine of ten that are not usable, and one of four that are
CONSTANT = 1.209
WEIGHTS = np.array([1.648, 1.025, 1.475, -0.803])  # of the logarithms of `signs`
TOGETHER = (-2.75, 2.33)  # constant, and weight of the logarithm of the largest deviation, mm
LEAST = 1e-3


def signs(outline: Outline, silhouette: Silhouette) -> NDArray[np.float64]:
    """Largest deviation (mm), expected wrong share, width (mm) and length of edge (mm): (4,).

    Raises
    ------
    ValueError
        The silhouette tells nothing of its decision.
    """
    if silhouette.doubt is None:
        raise ValueError("no decision to be in doubt of")
    area, length = silhouette.region.area, silhouette.region.exterior.length
    largest = float(np.max(outline.sigma_ring_mm))
    return np.array([largest, silhouette.doubt.peak, 2 * area / length, length])


def unusable(outline: Outline, silhouette: Silhouette) -> float | None:
    """Probability that an outline from one photo needs a hand; None where nothing is known."""
    if silhouette.doubt is None or silhouette.touches_border or silhouette.kind is not Kind.TOOL:
        return None
    logarithms = np.log(np.maximum(signs(outline, silhouette), LEAST))
    return float(1 / (1 + np.exp(-(CONSTANT + WEIGHTS @ logarithms))))


def doubt_check(
    outline: Outline, silhouette: Silhouette, probability: float, called: str
) -> Check | None:
    """A finding where an outline is likely enough to need a hand."""
    if probability < LOOK_FROM or silhouette.doubt is None:
        return None
    return _wants_a_look(
        outline,
        called,
        (probability, LOOK_FROM),
        ("most in doubt", silhouette.doubt.where_mm),
        "draw the edge there by hand, take more photos of the lay, or lay the tool on a sheet of "
        "another colour.",
    )


def unusable_together(outline: Outline) -> float:
    """Probability that an outline from several photos needs a hand."""
    constant, weight = TOGETHER
    largest = max(float(np.max(outline.sigma_ring_mm)), LEAST)
    return float(1 / (1 + np.exp(-(constant + weight * np.log(largest)))))


def together_check(outline: Outline, called: str) -> Check | None:
    """A finding where an outline from several photos is likely enough to need a hand."""
    probability = unusable_together(outline)
    if probability < LOOK_FROM_TOGETHER:
        return None
    ring = np.asarray(outline.region.exterior.coords)[:-1, :2]
    x, y = ring[int(np.argmax(outline.sigma_ring_mm))].tolist()
    return _wants_a_look(
        outline,
        called,
        (probability, LOOK_FROM_TOGETHER),
        ("least known", (x, y)),
        "add a photo of the lay that looks at this side from above, or draw the edge there by "
        "hand.",
    )


def _wants_a_look(
    outline: Outline,
    called: str,
    stated: tuple[float, float],
    worst: tuple[str, tuple[float, float]],
    remedy: str,
) -> Check:
    """The finding: probability and limit; what the worst place is, and where; what else helps."""
    (probability, limit), (how, (x, y)) = stated, worst
    return Check(
        "outline-doubtful",
        Severity.WARN,
        f"{called} wants a look: with {probability:.0%} probability its edge is off by more than "
        f"2 mm somewhere, {how} near ({x:.0f}, {y:.0f}) mm.",
        f"Look at the ring round it in the overlay; {remedy}",
        subject_id=outline.outline_id,
        value=probability,
        limit=limit,
        where_mm=(x, y),
    )
