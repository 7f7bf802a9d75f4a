"""Is the stated probability that an outline needs a hand what happens?

    python -m tests.benchmarks.doubt FOLDER ... [--only TEXT] [--leave TEXT ...] [--markdown FILE]

Every photo of every scene is traced as a lay of its own, heights typed. Printed are the table of
stated against actual and the area under the ROC curve, for the shipped weights, for weights fitted
on all other lays (leave one lay out), and for the shipped weights scaled and moved to suit all
other lays: two figures instead of five. With the last two come what they are on all lays.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import rankdata

from tests.benchmarks.fit_lays import Lay, write_tool_list
from tests.benchmarks.scoring import Result, score_lay
from tests.benchmarks.truth import BOARD_MM, find_scenes
from tracer.errors import TracerError
from tracer.geometry.compare import Motion
from tracer.model.card import CardSizes
from tracer.parallax.shared.doubt import CONSTANT, LOOK_FROM, WEIGHTS, signs
from tracer.photos import read_photo
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.tracing.trace import TraceOptions, trace

BINS = (0.0, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0)
RIDGE = 1 / 0.3  # of the standardised weights
LOST_MM = 60.0  # a mean distance beyond it is another tool

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Case:
    """An outline: its lay, the logarithms of its signs, and whether it needs a hand."""

    scene: str
    logs: Array
    bad: bool


def cases(lay: Lay) -> Iterator[Case]:
    """The outlines of a lay of one photo that have a true partner."""
    (index,) = lay.photos
    sizes = lay.scene.card_sizes_mm
    nominal = set(sizes.values()) <= {BOARD_MM}
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "tools.csv"
        write_tool_list(lay, rows)
        listed = parse_tool_list(rows.read_bytes(), "tools.csv")
    typed = {k: (round(a, 2), round(b, 2)) for k, (a, b) in sizes.items()}
    options = TraceOptions(card_sizes=CardSizes(own_mm={} if nominal else typed))
    try:
        done = trace([read_photo(lay.scene.photos[index])], listed.rows, options=options)
    except TracerError as error:
        print(f"{lay.name}: {error.sentence}")
        return
    results = [Result(o.outline_id, o.name, o.region, o.height_mm) for o in done.outlines]
    starts = [lay.scene.to_first_card(n) for n in sizes] or [Motion()]
    score = score_lay(results, lay.scene.tools, range(index, index + 1), starts)
    by_id = {o.outline_id: o for o in done.outlines}
    for tool in score.tools:
        outline = by_id[tool.outline_id]
        seen = max(
            done.segmentations[0].silhouettes,
            key=lambda s: s.region.intersection(outline.region).area,
        )
        if seen.doubt is not None and tool.own is not None and tool.own.mean_mm < LOST_MM:
            logs = np.log(np.maximum(signs(outline, seen), 1e-3))
            yield Case(lay.scene.name, logs, not tool.usable_alone)


def fitted(some: Sequence[Case]) -> tuple[float, Array]:
    """Constant and weights by ridge logistic regression on standardised signs."""
    x, y = np.array([c.logs for c in some]), np.array([c.bad for c in some])
    mean, spread = x.mean(axis=0), x.std(axis=0)
    z = (x - mean) / spread

    def loss(w: Array) -> float:
        score = w[0] + z @ w[1:]
        return float(np.sum(np.logaddexp(0, score) - y * score) + RIDGE / 2 * w[1:] @ w[1:])

    best = minimize(loss, np.zeros(x.shape[1] + 1), method="BFGS").x
    weights = best[1:] / spread
    return float(best[0] - weights @ mean), weights


def rescaled(some: Sequence[Case]) -> tuple[float, Array]:
    """Constant and weights in the shipped weights' proportions, by logistic regression."""
    score = CONSTANT + np.array([c.logs for c in some]) @ WEIGHTS
    y = np.array([c.bad for c in some])

    def loss(w: Array) -> float:
        z = w[0] + w[1] * score
        return float(np.sum(np.logaddexp(0, z) - y * z))

    moved, scale = minimize(loss, np.array([0.0, 1.0]), method="BFGS").x
    return float(moved + scale * CONSTANT), np.asarray(scale * WEIGHTS)


def area_under_curve(stated: Array, bad: NDArray[np.bool_]) -> float:
    """Of the ROC curve, by ranks (Mann-Whitney)."""
    n, m = int(bad.sum()), int((~bad).sum())
    return float((rankdata(stated)[bad].sum() - n * (n + 1) / 2) / (n * m))


def lines(title: str, stated: Array, bad: NDArray[np.bool_]) -> list[str]:
    """Stated against actual."""
    named = stated >= LOOK_FROM
    out = [
        f"{title}: area under the curve {area_under_curve(stated, bad):.3f}; at {LOOK_FROM:g}: "
        f"{named[bad].mean():.0%} of those that need a hand named, {named[~bad].mean():.0%} of "
        "the others"
    ]
    for low, high in itertools.pairwise(BINS):
        here = (stated >= low) & ((stated < high) | (high == 1.0))
        if here.any():
            out.append(
                f"  {low:.2f} to {high:.2f}: {here.sum():4d} outlines, mean stated "
                f"{stated[here].mean():.2f}, need a hand {bad[here].mean():.2f}"
            )
    return out


def markdown(stated: Array, bad: NDArray[np.bool_]) -> str:
    """Stated against actual, and what the limit names, as Markdown."""
    out = ["| stated probability | outlines | mean stated | need a hand |", "|---|---|---|---|"]
    for low, high in itertools.pairwise(BINS):
        here = (stated >= low) & ((stated < high) | (high == BINS[-1]))
        words = f"{low:.2f} to {high:.2f}"
        cells = (
            [f"{stated[here].mean():.2f}", f"{bad[here].mean():.2f}"] if here.any() else ["-", "-"]
        )
        out.append(f"| {words} | {here.sum()} | {' | '.join(cells)} |")
    named = stated >= LOOK_FROM
    out += [
        "",
        "| area under ROC | named at the limit: of those that need a hand | of the others |",
        "|---|---|---|",
        f"| {area_under_curve(stated, bad):.2f} | {named[bad].mean():.0%} "
        f"| {named[~bad].mean():.0%} |",
    ]
    return "\n".join(out) + "\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.doubt")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--only", default="", help="scenes whose name holds this text")
    parser.add_argument("--leave", nargs="*", default=[], help="scenes left out")
    parser.add_argument("--markdown", type=Path, help="write the table for the docs")
    chosen = parser.parse_args(arguments)
    found: list[Case] = []
    for scene in find_scenes(chosen.folders):
        left = any(text in scene.name for text in chosen.leave)
        if scene.expected != "ok" or chosen.only not in scene.name or left:
            continue
        for index in range(len(scene.photos)):
            lay = Lay(scene, (index,), typed=True)
            found += cases(lay)
            print(f"measured {lay.name}", flush=True)
    bad = np.array([c.bad for c in found])
    logs = np.array([c.logs for c in found])
    print(f"{len(found)} outlines, {bad.mean():.0%} need a hand")
    print("\n".join(lines("shipped weights", expit(CONSTANT + logs @ WEIGHTS), bad)))
    scenes = sorted({c.scene for c in found})
    if len(scenes) > 1:
        for words, fit in (("fitted anew", fitted), ("scaled and moved", rescaled)):
            stated = np.empty(len(found))
            for name in scenes:
                own = np.array([c.scene == name for c in found])
                constant, weights = fit([c for c in found if c.scene != name])
                stated[own] = expit(constant + logs[own] @ weights)
            print("\n".join(lines(f"leave one lay out, {words}", stated, bad)))
            constant, weights = fit(found)
            print(f"  on all: {constant:.3f}, {np.round(weights, 3).tolist()}")
        if chosen.markdown:
            chosen.markdown.write_text(markdown(stated, bad), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
