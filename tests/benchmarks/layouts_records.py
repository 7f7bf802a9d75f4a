"""Records of the benchmark of layouts: kept line by line so that it can go on, and as tables."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import mean, median
from typing import Any

from scipy.stats import binomtest

__all__ = ["TERMS", "Kept", "markdown", "tables"]

Record = dict[str, Any]

TERMS = ("gaps", "rows", "axes", "heads", "kin", "centred")


class Kept:
    """Records of a file of JSON lines (or of none): what is there is not measured again."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self.records: list[Record] = []
        if file is not None and file.exists():
            # a line that was cut off by a kill is measured again
            lines = [t for t in file.read_text("utf-8").splitlines() if t.endswith("}")]
            self.records = [json.loads(line) for line in lines]
            file.write_text("".join(f"{line}\n" for line in lines), "utf-8")

    def find(self, **key: Any) -> list[Record]:
        """Records that have these values."""
        return [r for r in self.records if all(r.get(k) == v for k, v in key.items())]

    def add(self, record: Record) -> Record:
        """Keep a record."""
        self.records.append(record)
        if self._file is not None:
            with self._file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(record) + "\n")
        return record

    def once(self, make: Callable[[], Record], **key: Any) -> Record:
        """The record of a key, measured now if it is not there."""
        known = self.find(**key)
        return known[0] if known else self.add({**key, **make()})


def _share(records: Sequence[Record]) -> str:
    """Share solved soundly with its exact 95 % interval (Clopper, Pearson 1934; scipy's)."""
    good = sum(bool(r["solved"]) and not r["violations"] for r in records)
    span = binomtest(good, len(records)).proportion_ci(0.95, "exact")
    return (
        f"{good} of {len(records)} = {100 * good / len(records):.1f} %"
        f" ({100 * span.low:.1f} to {100 * span.high:.1f})"
    )


def _split(records: Sequence[Record]) -> tuple[list[Record], list[Record]]:
    solve = [r for r in records if r["part"] == "solve"]
    return [r for r in solve if not r.get("left_out")], [r for r in solve if r.get("left_out")]


def solve_table(records: Sequence[Record]) -> str:
    """Shares solved and times to the first layout."""
    tried, out = _split(records)
    sound = [r for r in tried if r["solved"]]
    lines = [
        f"left out (one tool alone does not fit): {len(out)}",
        f"layouts checked {len(sound)}, hard rules broken"
        f" {sum(len(r['violations']) for r in sound)}",
    ]
    for key in ("factor", "count", "aspect"):
        for value in sorted({r[key] for r in tried}):
            mine = [r for r in tried if r[key] == value]
            times = [r["first_s"] for r in mine if r["solved"]]
            rows = sum(r.get("style") == "rows" for r in mine) / len(mine)
            lines.append(
                f"{key:7} {value:5g}: solved {_share(mine)}, rows {rows:6.1%},"
                + (f" first s median {median(times):.2f} max {max(times):.2f}" if times else "")
            )
    return "\n".join(lines)


def dense_table(records: Sequence[Record]) -> str:
    """Own strips against spyrrow's."""
    mine = [r for r in records if r["part"] == "dense"]
    lines = []
    for count in sorted({r["count"] for r in mine}):
        over = [100 * (r["own"] / r["spyrrow"] - 1) for r in mine if r["count"] == count]
        lines.append(
            f"{count:3d} tools: own strip {mean(over):+.1f} % (worst {max(over):+.1f}) against"
            f" spyrrow's, {len(over)} cases"
        )
    return "\n".join(lines)


def rules_table(records: Sequence[Record]) -> str:
    """Means of the soft figures by way of laying out."""
    rules = [r for r in records if r["part"] == "rules"]
    if not rules:
        return ""
    lines = ["             " + "  ".join(f"{n:>8}" for n in TERMS) + "  lays"]
    for how in dict.fromkeys(r["how"] for r in rules):
        mine = [r for r in rules if r["how"] == how]
        cells = []
        for name in TERMS:
            values = [r[name] for r in mine if r[name] is not None]
            cells.append(f"{mean(values):8.2f}" if values else "       -")
        lines.append(f"{how:13}" + "  ".join(cells) + f"  {len(mine):4d}")
    return "\n".join(lines)


def tables(records: Sequence[Record]) -> str:
    """All tables as text."""
    found = []
    if _split(records)[0]:
        found.append(f"\nsolve\n{solve_table(records)}")
    for part, table in (("dense", dense_table), ("rules", rules_table)):
        if text := table(records):
            found.append(f"\n{part}\n{text}")
    return "\n".join(found)


def markdown(records: Sequence[Record]) -> str:
    """The tables for the docs."""
    tried, out = _split(records)
    factors = sorted({r["factor"] for r in tried})
    sound = [r for r in tried if r["solved"]]
    broken = sum(len(r["violations"]) for r in sound)
    none = binomtest(sum(bool(r["violations"]) for r in sound), max(len(sound), 1))
    most = 100 * none.proportion_ci(0.95, "exact").high
    lines = [
        "| tools | " + " | ".join(f"bay {f:g} times" for f in factors)
        + " | first layout, CPU s: median, 95 %, most |",
        "|---|" + "---|" * (len(factors) + 1),
    ]  # fmt: skip
    for count in sorted({r["count"] for r in tried}):
        mine = [r for r in tried if r["count"] == count]
        cells = []
        for factor in factors:
            some = [r for r in mine if r["factor"] == factor]
            cells.append(_share(some) if some else "-")
        times = sorted(r["first_s"] + r["pieces_s"] for r in mine if r["solved"])
        late = times[min(int(0.95 * len(times)), len(times) - 1)]
        cells.append(f"{median(times):.1f}, {late:.1f}, {times[-1]:.1f}")
        lines.append(f"| {count} | " + " | ".join(cells) + " |")
    heaps = sorted({(r["count"], r["seed"]) for r in tried})
    lines += [
        "",
        f"{len(sound)} layouts of {len(heaps)} heaps (seeds 0 to {max(s for _, s in heaps)}), bays"
        " 1:1, 2:1 and 1:3; hard rules broken, by a checker that shares no code with the search:"
        f" {broken} (of layouts, at most {most:.2f} % with 95 %). Left out because one tool alone"
        f" does not fit the bay: {len(out)}. Intervals are 95 % by cases; cases of one heap share"
        " its tools.",
    ]
    dense = [r for r in records if r["part"] == "dense"]
    if dense:
        lines += [
            "",
            "| tools | own strip against spyrrow's, mean (worst) | heaps |",
            "|---|---|---|",
        ]
        for count in sorted({r["count"] for r in dense}):
            over = [100 * (r["own"] / r["spyrrow"] - 1) for r in dense if r["count"] == count]
            lines.append(f"| {count} | {mean(over):+.1f} % ({max(over):+.1f} %) | {len(over)} |")
    return "\n".join(lines) + "\n"
