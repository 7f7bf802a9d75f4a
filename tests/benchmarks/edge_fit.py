"""Fit the model of an outline's errors, and see how it does on scenes left out.

    python -m tests.benchmarks.edge_fit SCENES... --cache FOLDER [--kinds "one typed,several"]

Lays are traced once into the cache (`tests.benchmarks.fit_lays`). Of every outline that has a true
partner the error is taken along its edge. Printed are, by kind of evidence: how alike errors are at
distances along the edge; the figures of `tracer.panel.pocket.edge_errors` by greatest likelihood of
the uniform clearance that each tool needs at its best place; and, each scene left out in turn and
the figures fitted on the others, stated against actual shares that go in; last the same for the
figures that are shipped.

A need of more than `GROSS_MM` may also come of a missing part: a share of tools, fitted with the
rest, has a need that is even on a logarithmic scale up to `MOST_MM`. Outlines that tracing names as
in doubt have figures of their own where that makes left-out scenes likelier.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.spatial import cKDTree
from scipy.special import expit, logit, ndtr
from shapely.geometry import Polygon

from tests.benchmarks.fit_lays import Lay, lays_of, traced
from tests.benchmarks.fit_motion import SignedDistance, along_rings
from tests.benchmarks.truth import find_scenes
from tracer.panel.pocket.clearance import Cut, trial_of
from tracer.panel.pocket.edge_errors import (
    EVIDENCE,
    IN_DOUBT,
    EdgeErrors,
    beyond_bound,
    drawn_errors,
    evidence_of,
    sigma_along,
)
from tracer.panel.pocket.settling import least_clearance

Array = NDArray[np.float64]

GRID = np.exp(np.linspace(np.log(0.05), np.log(8.0), 14))  # of the factor k
DRAWS, POINTS = 60, 160
UNIT_MM = 0.5  # needs are compared on the scale asinh(need / unit)
WIDTH, SMALL = 0.2, 0.05  # of the kernel of a density, and of a distribution function
GROSS_MM, MOST_MM = 4.0, 70.0
STATED = (0.5, 0.8, 0.9, 0.95)
DISTANCES_MM = (2.5, 5, 10, 15, 20, 30, 40, 60)
#: priors that keep rare kinds sane: log spread, logit of missing, and difference of doubt
PRIORS = ((-0.9, 0.5), (-3.5, 1.0), (0.0, 0.6))


@dataclass(frozen=True, eq=False)
class Case:
    """One outline: its error along the edge, and what the model would draw for it.

    ``needs`` (factors, draws) are sorted; ``need_mm`` is the true one.
    """

    scene: str
    kind: str
    evidence: str
    in_doubt: bool
    error_mm: Array
    sigma_mm: Array
    moves: Array
    spacing_mm: float
    need_mm: float
    needs_mm: Array


def edge_error(true: Polygon, region: Polygon, points: Array) -> Array:
    """How far (N,) the true edge lies outside an outline at points of its edge.

    The distance to the true edge, or that of the farthest true edge nearest to the point: a part
    that the outline lacks counts in full.
    """
    outer = Polygon(true.exterior)
    error = -SignedDistance(outer)(points)[0]
    rim = along_rings(outer, 0.8)
    beyond, _ = SignedDistance(region)(rim)
    most = np.full(len(points), -np.inf)
    np.maximum.at(most, cKDTree(points).query(rim)[1], beyond)
    return np.where(np.abs(most) > np.abs(error), np.where(np.isfinite(most), most, error), error)


def cases_of(lay: Lay, cache: Path) -> list[Case]:
    """The outlines of a lay that have a true partner."""
    done = traced(lay, cache)
    found = []
    for pair in done.pairs if done else ():
        if (outline := pair.outline) is None:
            continue
        model = replace(EVIDENCE[evidence_of(outline)], factor=1.0, spread=0.0)
        cut = Cut()
        trial = trial_of(outline, cut, draws=1)
        length = trial.region.exterior.length
        sigma = sigma_along(outline, trial.points_mm, length / len(trial.points_mm))
        error = edge_error(pair.true.outline, trial.region, trial.points_mm) - trial.corner_mm
        some = slice(None, None, max(1, len(error) // POINTS))
        found.append(
            Case(
                lay.scene.name,
                lay.kind,
                evidence_of(outline),
                outline.in_doubt,
                error,
                sigma,
                trial.moves,
                length / len(error),
                float(least_clearance(error[None, some], trial.moves[some])[0]),
                _needs(sigma, length, model, trial.bound_mm - trial.corner_mm, trial.moves, some),
            )
        )
    return found


def _needs(
    sigma: Array, length: float, model: EdgeErrors, bound: Array, moves: Array, some: slice
) -> Array:
    drawn = drawn_errors(sigma, length, model, DRAWS, np.random.default_rng(3))
    beyond = beyond_bound(DRAWS, np.random.default_rng(7))
    capped = np.minimum(GRID[:, None, None] * drawn, bound + beyond)
    needs = least_clearance(capped.reshape(-1, len(sigma))[:, some], moves[some])
    return np.sort(needs.reshape(len(GRID), DRAWS), axis=1)


def alike(cases: Sequence[Case]) -> list[float]:
    """Correlation of errors over stated deviations, best motion taken out, outliers drawn in."""
    found = []
    rests = [_rest(c) for c in cases]
    for apart in DISTANCES_MM:
        both, own = 0.0, 0.0
        for case, rest in zip(cases, rests, strict=True):
            steps = round(apart / case.spacing_mm)
            if 0 < steps < len(rest) // 2:
                both += float(np.mean(rest * np.roll(rest, steps)))
                own += float(np.mean(rest**2))
        found.append(both / own)
    return found


def _rest(case: Case) -> Array:
    weight = np.hypot(case.sigma_mm, 0.1)
    over, moves = case.error_mm / weight, case.moves / weight[:, None]
    robust = np.ones(len(over))
    rest = over
    for _ in range(10):
        root = np.sqrt(robust)
        motion = np.linalg.lstsq(moves * root[:, None], over * root, rcond=None)[0]
        rest = over - moves @ motion
        robust = 1 / (1 + (rest / 2) ** 2)
    size = max(float(np.sqrt(np.mean(rest**2))), 0.2)
    return np.asarray(np.clip(rest / size, -2.5, 2.5))


class Likelihood:
    """Of needs, given factor, spread and missing parts, without and with doubt."""

    def __init__(self, cases: Sequence[Case], *, apart: bool) -> None:
        true = np.arcsinh([c.need_mm / UNIT_MM for c in cases])[:, None, None]
        away = true - np.arcsinh(np.array([c.needs_mm for c in cases]) / UNIT_MM)
        self.density = np.mean(np.exp(-0.5 * (away / WIDTH) ** 2), axis=2) / (WIDTH * 2.5066)
        self.below = np.mean(ndtr(away / SMALL), axis=2)
        even = np.arcsinh(MOST_MM / UNIT_MM) - np.arcsinh(GROSS_MM / UNIT_MM)
        self.gross = np.array([c.need_mm > GROSS_MM for c in cases]) / even
        self.doubt = np.array([c.in_doubt and apart for c in cases], float)
        logs = np.log(GRID)
        self.edges = np.concatenate([[-np.inf], (logs[1:] + logs[:-1]) / 2, [np.inf]])
        self.apart = apart

    def figures(self, x: Array, doubt: Array) -> tuple[Array, Array, Array]:
        """Median factor, spread and probability of a missing part, each (N,)."""
        middle, spread, missing = (x[k] + (doubt * x[k + 3] if self.apart else 0) for k in range(3))
        one = np.ones(len(doubt))
        return np.exp(middle * one), np.exp(spread * one), expit(missing * one)

    def shares(self, x: Array, doubt: Array) -> Array:
        factor, spread, _ = self.figures(x, doubt)
        return np.diff(ndtr((self.edges - np.log(factor)[:, None]) / spread[:, None]))

    def loss(self, x: Array, some: NDArray[np.intp]) -> float:
        """Negative logarithm of likelihood and priors."""
        doubt = self.doubt[some]
        missing = self.figures(x, doubt)[2]
        sound = (self.shares(x, doubt) * self.density[some]).sum(axis=1)
        likely = np.log((1 - missing) * sound + missing * self.gross[some] + 1e-9)
        (spread, a), (usual, b), (zero, c) = PRIORS
        prior = ((x[1] - spread) / a) ** 2 + ((x[2] - usual) / b) ** 2
        if self.apart:
            prior += ((x[3] - zero) / c) ** 2 + ((x[4] - zero) / c) ** 2 + (x[5] / 2) ** 2
        return float(-likely.sum() + prior / 2)

    def fitted(self, some: NDArray[np.intp]) -> Array:
        start = np.array([-0.2, -1.0, -4.0, 0.0, 0.0, 0.0][: 6 if self.apart else 3])
        return np.asarray(minimize(self.loss, start, args=(some,), method="BFGS").x)


def report(kind: str, cases: Sequence[Case]) -> list[str]:
    """What is printed of one kind of evidence."""
    scenes = np.array([c.scene for c in cases])
    every = np.arange(len(cases))
    near = ", ".join(f"{d:g} mm {a:.2f}" for d, a in zip(DISTANCES_MM, alike(cases), strict=True))
    lines = [f"{kind}: {len(cases)} outlines of {len(set(scenes))} scenes; alike at {near}"]
    for apart in (False, True):
        model = Likelihood(cases, apart=apart)
        whole = model.fitted(every)
        below, missing, left_out = np.zeros(len(cases)), np.zeros(len(cases)), 0.0
        for scene in sorted(set(scenes)):
            some = every[scenes == scene]
            others = model.fitted(every[scenes != scene])
            left_out += model.loss(others, some) - model.loss(others, some[:0])
            below[some] = (model.shares(others, model.doubt[some]) * model.below[some]).sum(axis=1)
            missing[some] = model.figures(others, model.doubt[some])[2]
        lines.append(f"  {'apart' if apart else 'alike'}: left out {left_out / len(cases):.3f}")
        doubtful = np.array([c.in_doubt for c in cases])
        for name, chosen, doubt in (("sure", ~doubtful, 0.0), ("in doubt", doubtful, 1.0)):
            if not chosen.any():
                continue
            factor, spread, lost = (v[0] for v in model.figures(whole, np.array([doubt])))
            told = ", ".join(
                f"{p * (1 - missing[chosen].mean()):.0%}: {np.mean(below[chosen] <= p):.0%}"
                for p in STATED
            )
            lines.append(
                f"    {name} ({chosen.sum()}): factor {factor:.2f}, spread {spread:.2f}, "
                f"missing {lost:.3f}; stated and actual {told}"
            )
    return lines


def shipped(cases: Sequence[Case]) -> list[str]:
    """Stated against actual with the figures of the product."""
    model = Likelihood(cases, apart=True)
    lines = ["  shipped:"]
    for name, in_doubt in (("sure", False), ("in doubt", True)):
        some = np.array([k for k, c in enumerate(cases) if c.in_doubt is in_doubt])
        if not len(some):
            continue
        own = (IN_DOUBT if in_doubt else EVIDENCE)[cases[some[0]].evidence]
        x = np.array([np.log(own.factor), np.log(own.spread), logit(own.missing), 0, 0, 0])
        doubt = np.zeros(len(some))
        below = (model.shares(x, doubt) * model.below[some]).sum(axis=1)
        told = ", ".join(f"{p * (1 - own.missing):.0%}: {np.mean(below <= p):.0%}" for p in STATED)
        lines.append(f"    {name} ({len(some)}): stated and actual {told}")
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.edge_fit")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--kinds", default="one typed,one open,several")
    chosen = parser.parse_args(arguments)
    kinds = chosen.kinds.split(",")
    cases: list[Case] = []
    for scene in find_scenes(chosen.folders):
        if scene.expected == "ok":
            for lay in lays_of(scene):
                if lay.kind in kinds:
                    cases += cases_of(lay, chosen.cache)
                    print(f"{len(cases)} outlines, {lay.name}", flush=True)
    for kind in kinds:
        some = [c for c in cases if c.kind == kind]
        print("\n".join([*report(kind, some), *shipped(some)]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
