"""How far figures over many tools can be relied on: intervals by bootstrap over lays.

Tools of one lay share its ground, light and cameras, so whole lays are drawn, with replacement
(A. C. Davison, D. V. Hinkley, "Bootstrap Methods and their Application", Cambridge 1997, ch. 3.8).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

__all__ = ["bootstrap", "spread_lines"]

DRAWS, SHARE = 1000, 0.9
LARGE_MM = 30.0

Figure = Callable[[Sequence[dict[str, Any]]], float]


def bootstrap(
    records: Sequence[dict[str, Any]], figure: Figure, draws: int = DRAWS
) -> tuple[float, float, float]:
    """A figure over all lays, and the interval that holds it in nine draws of ten."""
    rng = np.random.default_rng(1)
    some = [r for r in records if r["tools"]]
    drawn = [figure([some[i] for i in rng.integers(0, len(some), len(some))]) for _ in range(draws)]
    low, high = np.nanquantile(drawn, [(1 - SHARE) / 2, (1 + SHARE) / 2])
    return figure(some), float(low), float(high)


def _tools(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return [t for r in records for t in r["tools"]]


def _distance(key: str, over: Callable[..., Any]) -> Figure:
    return lambda records: float(over([t["distance"][key] for t in _tools(records)]))


def _usable(least_mm: float) -> Figure:
    def share(records: Sequence[dict[str, Any]]) -> float:
        chosen = [t["usable"] for t in _tools(records) if t["true_height_mm"] > least_mm]
        return 100 * float(np.mean(chosen)) if chosen else float("nan")

    return share


def _within(sigmas: float) -> Figure:
    def share(records: Sequence[dict[str, Any]]) -> float:
        errors = np.concatenate([t["errors_in_sigmas"] for t in _tools(records)])
        return 100 * float(np.mean(errors <= sigmas))

    return share


def _heights(figure: Callable[[Any, Any], float]) -> Figure:
    def over(records: Sequence[dict[str, Any]]) -> float:
        known = [t for t in _tools(records) if t["height_sigma_mm"]]
        if not known:
            return float("nan")
        off = np.array([abs(t["height_mm"] - t["true_height_mm"]) for t in known])
        return figure(off, np.array([t["height_sigma_mm"] for t in known]))

    return over


_FIGURES: list[tuple[str, str, Figure]] = [
    ("median over tools of the mean, mm", ".2f", _distance("mean_mm", np.median)),
    ("median over tools of p95, mm", ".2f", _distance("p95_mm", np.median)),
    ("average over tools of the mean, mm", ".2f", _distance("mean_mm", np.mean)),
    ("average over tools of p95, mm", ".2f", _distance("p95_mm", np.mean)),
    ("usable as they are, %", ".0f", _usable(0.0)),
    (f"usable, tools above {LARGE_MM:.0f} mm, %", ".0f", _usable(LARGE_MM)),
]
_STATED: list[tuple[str, str, Figure]] = [
    *((f"edge within {k} sigma, %", ".0f", _within(k)) for k in (1, 2, 3)),
    (
        "median over tools of sigma along the edge, mm",
        ".2f",
        lambda records: float(np.median([t["ring_sigma_mm"] for t in _tools(records)])),
    ),
    ("height, median error, mm", ".1f", _heights(lambda off, _: float(np.median(off)))),
    (
        "height within 2 sigma, %",
        ".0f",
        _heights(lambda off, sigma: 100 * float(np.mean(off <= 2 * sigma))),
    ),
]


def spread_lines(records: Sequence[dict[str, Any]]) -> list[str]:
    """The figures with their intervals, one line each; nothing without tools that tell."""
    tools = _tools(records)
    figures = list(_FIGURES) if tools and all("usable" in t for t in tools) else []
    if figures and all(t.get("errors_in_sigmas") for t in tools):
        figures += _STATED
    lines = []
    for name, form, figure in figures:
        value, low, high = bootstrap(records, figure)
        lines.append(f"{name:48} {value:{form}} ({low:{form}} to {high:{form}})")
    return [f"with nine draws of ten over {len(records)} lays:", *lines] if lines else []
