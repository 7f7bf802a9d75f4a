"""Cutting files of jobs for each machine, read back by readers that share no code with ours.

    python -m tests.benchmarks.files JOB.job ... [--machines router co2-laser ...] [--out FOLDER]
        [--markdown FILE]

Each job folder is copied, cut by the real command line for each machine (as it is arranged, or as
it was photographed), and every DXF file is read by ``tracer check``, by GDAL (pyogrio), by the npm
package dxf-parser (where ``TRACER_NODE_MODULES`` names its folder), by LibreCAD without a screen
(where it is installed) and looked over by ezdxf's auditor. Printed per job and machine: what each
found, which way round the walls run, how far they stand from where they were asked for, lines and
arcs of a pocket and how many of their joints are kinked, names of layers, size and time.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import ezdxf
import numpy as np
import pypdfium2

from tests.benchmarks.fit_walls import read_walls
from tests.export.readers import rings_by_gdal
from tracer.cli.app import run
from tracer.export.machine.profiles import machine_names

WALLS = ("through", "pocket")
#: layers whose curves are a piece's own edge or a wall; leads and tabs are open by nature
CLOSED = (*WALLS, "sheet-edge", "piece")
_SCRIPT = """
const P = require('dxf-parser'); const Parser = P.default || P;
const d = new Parser().parseSync(require('fs').readFileSync(process.argv[1], 'utf8'));
console.log(JSON.stringify(d.entities.map(e => [e.layer, e.type])));
"""


@dataclass
class Found:
    """What came of one job on one machine."""

    job: str
    machine: str
    exit_code: int = 0
    said: str = ""
    seconds: float = 0.0
    files: int = 0
    megabytes: float = 0.0
    drawings: int = 0
    own_fails: list[str] = field(default_factory=list)
    disagree: list[str] = field(default_factory=list)
    readers: Counter[str] = field(default_factory=Counter)
    wrong_way: int = 0
    walls_mm: list[tuple[float, float, float]] = field(default_factory=list)
    pieces: list[int] = field(default_factory=list)
    kinks: int = 0
    layers: set[str] = field(default_factory=set)


def command(arguments: Sequence[str]) -> tuple[int, str, str]:
    """Exit code and what was printed."""
    told, noted = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(noted):
        try:
            code = run([*arguments])
        except SystemExit as stop:
            code = int(stop.code or 0)
    return code or 0, told.getvalue(), noted.getvalue()


def cut(job: Path, machine: str, out: Path, more: Sequence[str] = ()) -> Found:
    """Cut a copy of the job and read all that came of it."""
    found = Found(job.stem, machine)
    target = out / f"{job.stem}-{machine}.job"
    shutil.copytree(job, target)
    shutil.rmtree(target / "cut", ignore_errors=True)
    began = time.perf_counter()
    words = ["cut", str(target), "--machine", machine, *more, "--json", "--quiet"]
    found.exit_code, told, noted = command(words)
    found.seconds = time.perf_counter() - began
    found.said = noted.strip().splitlines()[-1] if noted.strip() else ""
    if not told.strip().startswith("{"):
        return found
    record = json.loads(told)
    if "sheets" not in record:
        found.said = str(record.get("error", {}).get("sentence", found.said))
        return found
    for sheet in record["sheets"]:
        if wall := sheet["wall_error_mm"]:
            found.walls_mm.append((wall["mean"], wall["low"], wall["high"]))
    paths = [p for p in (target / "cut").rglob("*") if p.is_file()]
    found.files = len(paths)
    found.megabytes = sum(p.stat().st_size for p in paths) / 1e6
    for path in sorted(p for p in paths if p.suffix == ".dxf" and "-reference" not in p.stem):
        read(path, found)
    return found


def read(path: Path, found: Found) -> None:
    """All readers over one drawing."""
    data = path.read_bytes()
    found.drawings += 1
    code, told, noted = command(["check", str(path), "--json", "--quiet"])
    slugs = (
        [c["slug"] for c in json.loads(told)["checks"] if c["severity"] == "fail"] if told else []
    )
    if code or slugs:
        found.own_fails.append(f"{path.name}: {', '.join(slugs) or noted.strip()}")
    drawing = ezdxf.read(io.StringIO(data.decode("utf-8", "replace")))
    if drawing.audit().has_errors:
        found.disagree.append(f"{path.name}: ezdxf audit")
    entities = Counter(e.dxf.layer for e in drawing.modelspace())
    found.readers["ezdxf"] += 1
    found.layers |= set(entities)
    with tempfile.TemporaryDirectory() as folder:
        rings = [r for r in rings_by_gdal(data, Path(folder)) if kind(r.layer) in CLOSED]
    found.readers["GDAL"] += 1
    if len(rings) != sum(n for layer, n in entities.items() if kind(layer) in CLOSED):
        found.disagree.append(f"{path.name}: GDAL reads {len(rings)} closed curves")
    found.wrong_way += wrong_way([r.points for r in rings if kind(r.layer) in WALLS])
    for wall in read_walls(data):
        found.pieces.append(wall.pieces)
        found.kinks += wall.kinks
    by_javascript(path, entities, found)
    by_librecad(path, found)


def kind(layer: str) -> str:
    """A layer's name without its depth."""
    return next((k for k in CLOSED if layer.lower().startswith(k)), layer)


def wrong_way(rings: Sequence[np.ndarray[tuple[int, ...], np.dtype[np.float64]]]) -> int:
    """Curves that do not run left where they hold waste, right where they hold an island."""
    from shapely.geometry import Polygon

    shapes = [Polygon(r) for r in rings]
    wrong = 0
    for ring, shape in zip(rings, shapes, strict=True):
        inside = shape.representative_point()
        around = sum(s is not shape and s.area > shape.area and s.contains(inside) for s in shapes)
        x, y = ring[:, 0], ring[:, 1]
        left = float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) > 0
        wrong += left is (around % 2 == 1)
    return wrong


def by_javascript(path: Path, entities: Counter[str], found: Found) -> None:
    """The npm package dxf-parser must read the same curves on the same layers."""
    node, modules = shutil.which("node"), os.environ.get("TRACER_NODE_MODULES")
    if node is None or modules is None:
        return
    done = subprocess.run(
        [node, "-e", _SCRIPT, str(path)],
        capture_output=True,
        text=True,
        env={**os.environ, "NODE_PATH": modules},
        check=False,
    )
    found.readers["dxf-parser"] += 1
    read_by_it = Counter(layer for layer, _ in json.loads(done.stdout)) if done.stdout else None
    if read_by_it != entities:
        found.disagree.append(f"{path.name}: dxf-parser reads other curves")


def by_librecad(path: Path, found: Found) -> None:
    """LibreCAD must open the file and print it to a page."""
    program = shutil.which("librecad")
    if program is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "sheet.dxf"  # it prints beside what it reads
        shutil.copyfile(path, copy)
        subprocess.run(
            [program, "dxf2pdf", "-a", "-k", str(copy)],
            capture_output=True,
            env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
            timeout=120,
            check=False,
        )
        found.readers["LibreCAD"] += 1
        if not _drawn(copy.with_suffix(".pdf")):
            found.disagree.append(f"{path.name}: LibreCAD prints nothing")


def _drawn(page: Path) -> bool:
    """Whether a page holds more than paper."""
    if not page.exists():
        return False
    document = pypdfium2.PdfDocument(page)  # type: ignore[no-untyped-call]
    picture = document[0].render(scale=3).to_numpy()
    return bool((picture < 200).any(axis=-1).sum() > 10)  # a single screw hole is drawn, too


def line(f: Found) -> str:
    """One row of the table."""
    if not f.drawings:
        return f"| {f.job} | {f.machine} | refused: {f.said[:90]} |" + " |" * 9
    walls = "-"
    if f.walls_mm:
        means, lows, highs = zip(*f.walls_mm, strict=True)
        walls = f"{min(means):+.3f} to {max(means):+.3f} ({min(lows):+.2f} to {max(highs):+.2f})"
    joints = sum(f.pieces)
    share = f"{100 * f.kinks / joints:.0f} %" if joints else "-"
    return (
        f"| {f.job} | {f.machine} | {f.drawings} of {f.files} | {len(f.own_fails)} "
        f"| {', '.join(f'{k} {n}' for k, n in f.readers.items())} | {len(f.disagree)} "
        f"| {f.wrong_way} | {walls} | {np.median(f.pieces) if f.pieces else 0:.0f} "
        f"| {f.kinks}, {share} | {f.seconds:.1f} | {f.megabytes:.1f} |"
    )


HEAD = (
    "| job | machine | drawings of files | own check fails | read by | of them disagree "
    "| walls the wrong way | wall off, mm: means of sheets (5 to 95 % of points) "
    "| pieces a wall, median | kinked joints | s | MB |\n|" + "---|" * 12
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table, and what went wrong below it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.files")
    parser.add_argument("jobs", nargs="+", type=Path)
    parser.add_argument("--machines", nargs="+", default=machine_names())
    parser.add_argument("--out", type=Path, help="keep what was cut here, to be looked at")
    parser.add_argument("--markdown", type=Path, help="write the table for the docs")
    parser.add_argument("--more", nargs="*", default=[], help="further options of tracer cut")
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        out = chosen.out or Path(folder)
        results = []
        for job in chosen.jobs:
            for machine in chosen.machines:
                results.append(cut(job, machine, out, chosen.more))
                print(line(results[-1]), file=sys.stderr, flush=True)
    table = "\n".join([HEAD, *(line(r) for r in results)])
    print(table)
    for result in results:
        for sentence in (*result.own_fails, *result.disagree):
            print(f"{result.job}, {result.machine}: {sentence}")
    print("layers:", ", ".join(sorted(set().union(*(r.layers for r in results)))))
    if chosen.markdown:
        chosen.markdown.write_text(table + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
