"""Tables of the benchmark of fits, with intervals by bootstrap over scenes.

python -m tests.benchmarks.fit_tables RECORDS.json...
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["ALLOWED_MM", "bootstrap", "goes_in", "markdown", "tables"]

Record = dict[str, Any]
#: interference that foam gives way to, mm: common practice, no source
ALLOWED_MM = {"press": 0.6}
USUAL_ALLOWED_MM = 0.2
GROSS_MM = 5.0
DRAWS = 2000


def goes_in(record: Record) -> bool:
    """Whether a pocket was cut, not at a limit, and the tool goes into it."""
    if record["interference_mm"] is None or record["limited"]:
        return False
    return bool(record["interference_mm"] <= ALLOWED_MM.get(record["fit"], USUAL_ALLOWED_MM))


def bootstrap(
    records: Sequence[Record], figure: Callable[[Sequence[Record]], float], draws: int = DRAWS
) -> tuple[float, float, float]:
    """A figure of all records, and its 5 % and 95 % points over draws of whole scenes."""
    scenes: dict[str, list[Record]] = {}
    for r in records:
        scenes.setdefault(r["scene"], []).append(r)
    groups = list(scenes.values())
    rng = np.random.default_rng(1)
    values = []
    for _ in range(draws):
        picked = rng.integers(len(groups), size=len(groups))
        values.append(figure([r for i in picked for r in groups[i]]))
    low, high = np.nanpercentile(values, [5, 95])
    return figure(records), float(low), float(high)


def share(records: Sequence[Record]) -> float:
    """Share that goes in, in percent."""
    return 100.0 * float(np.mean([goes_in(r) for r in records])) if records else np.nan


def tables(records: Sequence[Record]) -> str:
    """All tables as text."""
    parts = [_main(records), _reliability(records), _walls(records)]
    return "\n\n".join(parts)


def _by(records: Sequence[Record], *keys: str) -> list[tuple[tuple[Any, ...], list[Record]]]:
    def key(r: Record) -> tuple[Any, ...]:
        return tuple(r[k] for k in keys)

    return [(k, list(g)) for k, g in groupby(sorted(records, key=key), key)]


def _main(records: Sequence[Record]) -> str:
    lines = [
        f"{'kind':<10} {'fit':<6} {'p':>5} {'tools':>5} {'go in % (5..95)':>18} {'no finding':>10} "
        f"{'median':>7} {'p80':>6} {'p95':>6} {'<=1.0':>6} {'sure gap':>8} {'gross':>5} "
        f"{'limited':>7}"
    ]
    for (kind, fit, p), group in _by(records, "kind", "fit", "probability"):
        middle, low, high = bootstrap(group, share, 500)
        plain = [r for r in group if not r["flagged"]]
        loose = [r["looseness_mm"] for r in group if r["looseness_mm"] is not None]
        sure = [r["sure_gap_mm"] for r in group if r["sure_gap_mm"] is not None]
        gross = sum(
            r["interference_mm"] is not None
            and r["interference_mm"] > GROSS_MM
            and not r["flagged"]
            for r in group
        )
        q = np.percentile(loose, [50, 80, 95]) if loose else [np.nan] * 3
        lines.append(
            f"{kind:<10} {fit:<6} {p:>5} {len(group):>5} {middle:>5.0f} ({low:>4.0f}..{high:>4.0f})"
            f"    {share(plain):>10.0f} {q[0]:>7.2f} {q[1]:>6.2f} {q[2]:>6.2f} "
            f"{100 * np.mean(np.array(loose) <= 1.0):>5.0f}% "
            f"{np.mean(sure) if sure else np.nan:>8.2f} {gross:>5} "
            f"{sum(r['limited'] for r in group):>7}"
        )
    return "\n".join(lines)


def markdown(records: Sequence[Record]) -> str:
    """What was asked, stated and found, as Markdown; intervals by drawing whole scenes."""
    lines = [
        "| photos | fit | asked | stated in the mean | really go in | cut at the limit "
        "| looseness a side: median, p80, p95, mm |",
        "|---|---|---|---|---|---|---|",
    ]
    for (kind, fit, p), group in _by(records, "kind", "fit", "probability"):
        stated = [r["stated"] for r in group if r["stated"] is not None]
        loose = [r["looseness_mm"] for r in group if r["looseness_mm"] is not None]
        middle, low, high = bootstrap(group, _in_pocket, 500)
        apart = ", ".join(f"{v:.2f}" for v in np.percentile(loose, [50, 80, 95])) if loose else "-"
        lines.append(
            f"| {kind} | `{fit}` | {100 * p:.0f} | {100 * float(np.mean(stated or [np.nan])):.0f} "
            f"| {middle:.0f} ({low:.0f} to {high:.0f}) | {sum(r['limited'] for r in group)} of "
            f"{len(group)} | {apart} |"
        )
    return "\n".join(lines) + "\n"


def _reliability(records: Sequence[Record]) -> str:
    lines = ["stated against actual, tools that got a pocket (percent, 5..95 by bootstrap):"]
    lines += [f"{'kind':<10} {'fit':<6} {'stated':>6} {'tools':>5} {'actual':>7}"]
    cut = [r for r in records if r["stated"] is not None]
    for (kind, fit, p), group in _by(cut, "kind", "fit", "probability"):
        stated = 100 * float(np.mean([r["stated"] for r in group]))
        middle, low, high = bootstrap(group, _in_pocket, 500)
        lines.append(
            f"{kind:<10} {fit:<6} {stated:>6.0f} {len(group):>5} {middle:>5.0f} "
            f"({low:>4.0f}..{high:>4.0f})  asked {100 * p:.0f}"
        )
    return "\n".join(lines)


def _in_pocket(records: Sequence[Record]) -> float:
    """Share that goes in, pockets at their limit by what they really do."""
    return 100.0 * float(np.mean([goes_in({**r, "limited": False}) for r in records]))


def _walls(records: Sequence[Record]) -> str:
    cut = [r for r in records if r["wall_error_mm"] is not None]
    if not cut:
        return "no pocket cut"
    error = np.array([r["wall_error_mm"] for r in cut])
    pieces = np.array([r["pieces"] for r in cut])
    kinks = np.array([r["kinks"] for r in cut])
    return (
        f"walls of {len(cut)} pockets: signed error of the file {error.mean():+.3f} mm "
        f"(sd {error.std():.3f}, largest {np.abs(error).max():.3f}); "
        f"pieces {np.median(pieces):.0f} (p90 {np.percentile(pieces, 90):.0f}); "
        f"kinked joints {100 * kinks.sum() / pieces.sum():.0f} %"
    )


if __name__ == "__main__":
    print(tables([r for name in sys.argv[1:] for r in json.loads(Path(name).read_text("utf-8"))]))
