"""Our separation of tool and ground beside recipes that anyone can write in an hour: one table.

    python -m tests.benchmarks.peers FOLDER ... [--real FOLDER] [--ways threshold watershed
        graph-cut classical learned auto] [--only TEXT] [--json FILE] [--markdown FILE]

FOLDER holds rendered lays with exact truth (their first photos are taken), the folder of ``--real``
holds ``euro_coins`` and ``hand_tools_phone``. The recipes are told the cards' papers and the
smallest tool, so that they are judged on tools alone; ours find the cards themselves.

Each photo is done in a process of its own. Memory is that process's peak, with all it imports;
seconds are the processor's, over all threads, reading the photo included, importing not. What
``--json`` has kept of an earlier run is not measured again.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from itertools import chain
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.benchmarks.cases import Case, CoinCase, HandToolCase, LayCase, case_of
from tests.benchmarks.coins import read_coins
from tests.benchmarks.recipes import RECIPES, Prepared
from tests.benchmarks.truth import find_scenes
from tracer.atomic import write_atomically
from tracer.photos import read_photo
from tracer.segmentation import Way

WAYS = [*RECIPES, Way.CLASSICAL.value, Way.LEARNED.value, Way.AUTO.value]
THREADS = 2
Record = dict[str, Any]


def cases_in(folders: Sequence[Path], real: Path | None) -> list[Case]:
    """Lays that hold tools, then coins and hand tools on real photos."""
    cases: list[Case] = [LayCase(s) for s in find_scenes(list(folders)) if s.expected == "ok"]
    if real is not None:
        coins, tools = real / "euro_coins", real / "hand_tools_phone"
        cases += [CoinCase(coins, name) for name in read_coins(coins / "coins.csv")]
        cases += [HandToolCase(tools, photo.stem) for photo in sorted(tools.glob("*.jpg"))]
    return cases


def run_here(case: Case, way: str, out: Path) -> None:
    """One photo by one way, in this process; labels and seconds go to a file."""
    cv2.setNumThreads(THREADS)
    hints = case.hints()
    start = time.process_time()
    if way in RECIPES:
        labels = RECIPES[way](Prepared(read_photo(case.photo).pixels, hints))
    else:
        labels = case.separated(Way(way))
    seconds = time.process_time() - start
    np.savez_compressed(out, labels=labels.astype(np.uint16), seconds=seconds)


def run_apart(case: Case, way: str) -> Record:
    """One photo by one way, in a process of its own, scored."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "labels.npz"
        command = [sys.executable, "-m", "tests.benchmarks.peers"]
        command += ["--child", str(out), way, *case.address]
        with (Path(folder) / "words").open("w+b") as words:
            child = subprocess.Popen(command, stdout=words, stderr=words)
            _, status, usage = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            if child.returncode:
                words.seek(0)
                lines = words.read().decode("utf-8", "replace").strip().splitlines()
                return {"failed": lines[-1] if lines else f"exit code {child.returncode}"}
        with np.load(out) as found:
            labels, seconds = found["labels"].astype(np.int32), float(found["seconds"])
    return {**case.score(labels), "seconds": seconds, "peak_mb": usage.ru_maxrss / 1024}


def _with(records: Iterable[Record], key: str) -> list[Record]:
    return [r for r in records if key in r]


def _joined(records: Iterable[Record], key: str) -> list[float]:
    return list(chain.from_iterable(r[key] for r in records))


def _middle(values: Sequence[float], form: str) -> str:
    return format(float(np.median(values)), form) if values else "-"


def lay_cells(records: Sequence[Record]) -> list[str]:
    """Counts over all lays, medians over the found tools."""
    lays = _with(records, "good")
    if not lays:
        return ["-"] * 8
    total = {k: sum(r[k] for r in lays) for k in ("tools", "good", "missed", "merged", "invented")}
    return [
        f"{total['good']} of {total['tools']}",
        *(str(total[k]) for k in ("missed", "merged", "invented")),
        _middle(_joined(lays, "ious"), ".3f"),
        _middle(_joined(lays, "boundary_fs"), ".3f"),
        _middle(_joined(lays, "means_mm"), ".2f"),
        _middle(_joined(lays, "p95s_mm"), ".2f"),
    ]


def coin_cells(records: Sequence[Record]) -> list[str]:
    """Coins found, what else was taken for coins, rms of the diameters after the fit."""
    photos = _with(records, "coins")
    if not photos:
        return ["-"] * 4
    freedom = sum(r["freedom"] for r in photos)
    squares = sum(r["squares_mm2"] for r in photos)
    return [
        f"{sum(r['found'] for r in photos)} of {sum(r['coins'] for r in photos)}",
        *(str(sum(r[k] for r in photos)) for k in ("merged", "invented")),
        f"{np.sqrt(squares / freedom):.2f}" if freedom else "-",
    ]


def tool_cells(records: Sequence[Record]) -> list[str]:
    """Photos with one piece, median overlap with the reference masks."""
    photos = _with(records, "one_piece")
    if not photos:
        return ["-"] * 2
    ious = [r["iou"] for r in photos if r["iou"] is not None]
    return [f"{sum(r['one_piece'] for r in photos)} of {len(photos)}", _middle(ious, ".3f")]


def table(records: dict[str, dict[str, Record]]) -> str:
    """One line per way, as Markdown."""
    heads = ["", "good", "missed", "merged", "invented", "IoU", "F 2 px", "mean mm", "p95 mm"]
    heads += ["coins", "merged", "invented", "rms mm", "hand tools", "IoU", "s", "MB"]
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    failed = []
    for way, rows in records.items():
        done = _with(rows.values(), "seconds")
        if not done:
            continue
        cells = [way, *lay_cells(done), *coin_cells(done), *tool_cells(done)]
        cells.append(_middle([r["seconds"] for r in done], ".1f"))
        cells.append(f"{max(r['peak_mb'] for r in done):.0f}")
        lines.append(f"| {' | '.join(cells)} |")
        failed += [f"{way}, {name}: {r['failed']}" for name, r in rows.items() if "failed" in r]
    return "\n".join(lines + ([""] + [f"- {line}" for line in failed] if failed else []))


def lay_table(rows: dict[str, Record]) -> str:
    """One line per lay of one way, as Markdown."""
    lines = [
        "| lay | good | missed | merged | invented | IoU | F 2 px | mean mm | p95 mm | s |",
        "|---" * 10 + "|",
    ]
    for name, row in rows.items():
        if "good" in row:
            cells = [name, *lay_cells([row]), f"{row['seconds']:.1f}"]
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the comparison."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.peers")
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--real", type=Path, help="folder of the real photos")
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=WAYS)
    parser.add_argument("--only", default="", help="photos whose name holds this text")
    parser.add_argument("--json", type=Path, help="file that keeps what was measured")
    parser.add_argument("--markdown", type=Path, help="write the table for the docs")
    parser.add_argument("--child", nargs=5, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.child:
        out, way, *address = chosen.child
        run_here(case_of(*address), way, Path(out))
        return 0
    kept = chosen.json.read_text("utf-8") if chosen.json and chosen.json.exists() else "{}"
    records: dict[str, dict[str, Record]] = {way: {} for way in chosen.ways} | json.loads(kept)
    for case in cases_in(chosen.folders, chosen.real):
        for way in chosen.ways:
            if chosen.only not in case.name or case.name in records[way]:
                continue
            found = run_apart(case, way)
            records[way][case.name] = found
            print(f"{case.name} {way}: {_short(found)}", flush=True)
            if chosen.json:  # a long run that is stopped leaves what it has
                write_atomically(chosen.json, json.dumps(records, indent=1).encode())
    print(f"\nMedian processor seconds on {os.cpu_count()} cores; peak MB.\n")
    print(table(records))
    last = lay_table(records[chosen.ways[-1]])
    print(f"\nLay by lay, {chosen.ways[-1]}:\n\n{last}")
    if chosen.markdown:
        chosen.markdown.write_text(table(records) + "\n", "utf-8")
        chosen.markdown.with_stem(chosen.markdown.stem + "-lays").write_text(last + "\n", "utf-8")
    return 0


def _short(found: Record) -> str:
    """Counts of one photo in a line."""
    names = ("failed", "tools", "good", "missed", "merged", "invented", "coins", "found")
    words = [f"{name} {found[name]}" for name in (*names, "one_piece", "iou") if name in found]
    return ", ".join(words)


if __name__ == "__main__":
    raise SystemExit(main())
