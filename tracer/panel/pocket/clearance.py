"""How wide a pocket is made so that the tool goes in with the probability asked for.

The pocket's wall stands off the estimated edge by

    c(s) = gap + m(s) + lambda t(s),    t(s) = hypot(d(s), sigma of the cut)

with m(s) what corners lose in tracing. So it is wide where the edge is in doubt and close where it
is sure, and the tool is held by its sure stretches. ``gap`` is the fit class's. lambda is the least
with which the tool goes in with the probability asked: true edges are drawn from the model of
`tracer.panel.pocket.edge_errors`, each is given its best shift and turn, and counts as in when foam
and tool overlap nowhere by more than the class allows. Where several photos bound the edge from
outside, it is drawn and cut no farther beyond that bound than tools stand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.geometry.fairing import faired
from tracer.geometry.offset import grown
from tracer.geometry.remembered import remembered
from tracer.geometry.rings import largest_polygon, polygons_in, turning
from tracer.geometry.widen import ring_samples, widened
from tracer.model.outline import Outline
from tracer.model.pocket import Room
from tracer.panel.pocket.edge_errors import (
    EdgeErrors,
    Evidence,
    beyond_bound,
    drawn_errors,
    errors_of,
    evidence_of,
    most_beyond_mm,
    ring_sigma,
    sigma_along,
)
from tracer.panel.pocket.fits import Fit
from tracer.panel.pocket.settling import least_clearance, motions, smooth_noise

__all__ = ["Cut", "Trial", "needed_mm", "room_for", "trial_of"]

Array = NDArray[np.float64]

SPACING_MM = 2.5
MOST_POINTS = 240
LEAST_WEIGHT_MM = 1e-3  # nothing is surer than a micrometre
DRAWS = 1000
SEED = 20
#: length over which the cut's own error stays alike: common practice, no source
CUT_CORRELATION_MM = 20.0
#: an edge this sure counts as sure for a press fit, as a share of the tool's middle sigma
PRESS_SHARE = 1.15
#: how far an outline is evened out: mean of squared movement over sigma squared, and most over
#: sigma. More takes true features away: tools then need more room, not less
EVEN_SHARE, EVEN_MOST = 0.05, 0.7
#: missing parts that are less likely than this are made up for, up to this share of the draws
MADE_UP_FOR, MOST_SHARE = 0.05, 0.99


@dataclass(frozen=True, kw_only=True)
class Cut:
    """What making the pocket adds: the cut's own scatter, and how far the foam gives way."""

    sigma_mm: float = 0.15
    gives_mm: float = 0.2


@dataclass(frozen=True, eq=False)
class Trial:
    """Draws of the true edge of one outline, and the motions open to it.

    Attributes
    ----------
    region
        The estimate, evened out as far as its uncertainty allows, holes filled.
    run_mm, points_mm
        (N,) places along its ring and (N, 2) points there.
    weight_mm
        (N,) t(s) of the module's text.
    bound_mm
        (N,) how far outside several photos' bound lies; inf where nothing bounds it.
    corner_mm
        (N,) m(s) of the module's text.
    errors_mm
        (draws, N) true edge and cut together without it, positive where the tool is larger.
    moves
        (N, 3) movement of the edge for a shift in x, in y and a turn.
    missing
        Probability that the outline lacks a part, which no draw shows and no wall covers.
    """

    region: Polygon
    run_mm: Array
    points_mm: Array
    weight_mm: Array
    bound_mm: Array
    corner_mm: Array
    errors_mm: Array
    moves: Array
    missing: float = 0.0

    def share_in(self, widths_mm: Array, allowed_mm: float) -> float:
        """Share of the draws that go into a wall that stands off by widths (N,)."""
        left = least_clearance(self.errors_mm + self.corner_mm - widths_mm, self.moves)
        return float(np.mean(left <= allowed_mm))

    def share_for(self, probability: float) -> float:
        """Share of the draws that has to go in for a probability.

        A few missing parts are made up for; where they are likely, the outline is to be looked
        at, and a looser pocket would not help.
        """
        if self.missing > MADE_UP_FOR:
            return probability
        return min(probability / (1 - self.missing), max(probability, MOST_SHARE))


def trial_of(
    outline: Outline, cut: Cut, *, errors: EdgeErrors | None = None, draws: int = DRAWS
) -> Trial:
    """Draw true edges for an outline; equal outlines give equal draws."""
    errors = errors or errors_of(outline)
    region, _ = faired(
        Polygon(outline.region.exterior), ring_sigma(outline), share=EVEN_SHARE, most=EVEN_MOST
    )
    length = region.exterior.length
    points, normals, run = ring_samples(region, max(SPACING_MM, length / MOST_POINTS))
    sigma = sigma_along(outline, points, length / len(run))
    rng = np.random.default_rng(SEED)
    drawn = drawn_errors(sigma, length, errors, draws, rng)
    width = CUT_CORRELATION_MM / (length / len(run))
    made = cut.sigma_mm * smooth_noise(len(run), width, draws, rng)
    left = turning(np.roll(points, 1, axis=0), points, np.roll(points, -1, axis=0))
    corner = errors.rounded_off_mm(left if region.exterior.is_ccw else -left)
    bound = _bound(outline, points)
    if np.isfinite(bound).any():
        drawn = np.minimum(drawn, bound - corner + beyond_bound(draws, rng))
    weight = np.maximum(np.hypot(errors.deviation_mm(sigma), cut.sigma_mm), LEAST_WEIGHT_MM)
    moves = motions(points, normals)
    return Trial(region, run, points, weight, bound, corner, drawn + made, moves, errors.missing)


def _bound(outline: Outline, points: Array) -> Array:
    if outline.outer is None or outline.outer.is_empty:
        return np.full(len(points), np.inf)
    outer = shapely.union_all([outline.outer, outline.region])
    return np.asarray(shapely.distance(shapely.points(points), outer.boundary), np.float64)


@remembered(400)
def room_for(
    outline: Outline,
    fit: Fit,
    probability: float,
    *,
    cut: Cut | None = None,
    loosest_mm: float = np.inf,
    trial: Trial | None = None,
) -> Room:
    """Where the wall of an outline's pocket is to stand.

    Parameters
    ----------
    probability
        With which the tool is to go in, above 0 and below 1.
    cut
        The cut's scatter and the foam's give.
    loosest_mm
        The wall stands off by no more than this anywhere.
    trial
        Draws made before for the same outline and cut.

    Raises
    ------
    UsageError
        ``fit-probability-out-of-range``.
    TracerError
        As `sigma_along`.
    """
    if not 0 < probability < 1:
        raise UsageError(
            "fit-probability-out-of-range",
            f"The fit probability must lie between 0 and 1, not {probability:g}.",
            "For nine tools out of ten type 0.9.",
        )
    cut = cut or Cut()
    trial = trial or trial_of(outline, cut)
    asked, free, needed, factor = _asked(trial, fit, probability, cut)
    widths = np.minimum(asked, loosest_mm)
    most = int(np.argmax(asked))
    reached = float(np.mean(needed <= factor))
    if fit.gap_mm < 0 or (widths < free - 1e-9).any():
        # the motion found is near the best one, not it: a closer wall is not the likelier for that
        reached = min(reached, trial.share_in(widths, fit.allowed_mm + cut.gives_mm))
    return Room(
        wall=_with_islands(
            widened(trial.region, trial.run_mm, widths), outline, float(np.median(widths))
        ),
        gap_mm=fit.gap_mm,
        probability=round(reached * (1 - trial.missing), 3),
        least_mm=float(widths.min()),
        most_mm=float(widths.max()),
        needed_mm=float(asked[most]),
        where_mm=(float(trial.points_mm[most, 0]), float(trial.points_mm[most, 1])),
        sought=round(trial.share_for(probability) * (1 - trial.missing), 3),
    )


@remembered(400)
def needed_mm(outline: Outline, fit: Fit, probability: float, cut: Cut | None = None) -> float:
    """How far the wall would have to stand off at most (`Room.needed_mm`), without the wall."""
    cut = cut or Cut()
    return float(_asked(trial_of(outline, cut), fit, probability, cut)[0].max())


def _asked(
    trial: Trial, fit: Fit, probability: float, cut: Cut
) -> tuple[Array, Array, Array, float]:
    """Widths (N,) asked for, those before an outer bound, clearances (draws,), and lambda."""
    allowed = fit.allowed_mm + cut.gives_mm
    weight = trial.weight_mm
    start = max(fit.gap_mm, 0.0) + min(allowed, cut.gives_mm)
    needed = least_clearance((trial.errors_mm - start) / weight, trial.moves / weight[:, None])
    share = trial.share_for(probability)
    factor = max(float(np.quantile(needed, share)), 0.0)
    if fit.gap_mm < 0:  # squeezed: nothing is added for the doubt that even its sure edge has
        weight = np.maximum(weight - PRESS_SHARE * np.median(weight), 0.0)
    free = trial.corner_mm + factor * weight
    bounded = np.minimum(free, trial.bound_mm + most_beyond_mm(share))
    return fit.gap_mm + bounded, fit.gap_mm + free, needed, factor


def _with_islands(wall: Polygon, outline: Outline, width_mm: float) -> Polygon:
    """The wall with foam left where the tool is open, if that is sure.

    From one photo a bright reflection, a dark inlay or a patch of the ground's colour looks like
    a hole, and an island of foam there would keep the tool from going in; several photos that see
    the ground through it settle it.
    """
    if evidence_of(outline) != Evidence.SEVERAL:
        return wall
    holes = [
        part
        for hole in outline.region.interiors
        for part in polygons_in(grown(Polygon(hole), -width_mm))
    ]
    return largest_polygon(wall.difference(shapely.union_all(holes))) if holes else wall
