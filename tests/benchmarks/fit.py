"""Do true tools go into the pockets that are really cut, and how loosely.

    python -m tests.benchmarks.fit SCENES... --cache FOLDER
        [--machine router] [--fits easy,snug] [--probabilities 0.5,0.8,0.9,0.95]
        [--only TEXT] [--kinds "one typed,several"] [--json FILE]
        [--markdown FILE] [--checked] [--firsts]

Every lay (each photo by itself with heights typed, the first one with none typed, all sets of
three photos and more) is traced once into the cache, cut as photographed for each fit and
probability, and its walls are read back from the DXF file. The true tool is moved to the rigid
position in which it meets the foam least. *Goes in*: interference up to 0.2 mm, for a press fit
0.6 mm; a tool without a pocket does not go in. *Looseness*: mean gap between the tool's edge and
the wall. With ``--checked`` every tool is tried on its printed wall first, and what is read there
is typed back (`tests.benchmarks.fit_checked`). With ``--firsts`` one photo is the first of each
scene, and several are its first three, nothing typed. Shares carry 90 % intervals by bootstrap over
scenes, since the photos of one scene show the same tools.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from tests.benchmarks.fit_checked import checked
from tests.benchmarks.fit_lays import Lay, Pair, TracedLay, lays_of, traced
from tests.benchmarks.fit_motion import Seated, seat
from tests.benchmarks.fit_tables import markdown, tables
from tests.benchmarks.fit_walls import CutTool, cut_tools
from tests.benchmarks.truth import find_scenes
from tracer.export.machine.profiles import read_machine
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.panel_plan import FitClass
from tracer.model.report import Check
from tracer.workflows.cutting.cut import CutOptions

#: an edge is sure where its standard deviation is at most this
SURE_MM = 0.6


@dataclass(frozen=True)
class FitRecord:
    """One tool in one pocket; what has no pocket has None."""

    scene: str
    lay: str
    kind: str
    tool: str
    fit: str
    probability: float
    stated: float | None
    limited: bool
    flagged: bool
    interference_mm: float | None
    looseness_mm: float | None
    sure_gap_mm: float | None
    pieces: int | None
    kinks: int | None
    wall_error_mm: float | None


def measure(
    lay: TracedLay, machine: Machine, fit: FitClass, probability: float, *, on_paper: bool = False
) -> list[FitRecord]:
    """Cut a lay once and try its tools; ``on_paper``: after they were tried on the template."""
    options = CutOptions(machine=machine, fit=fit, fit_probability=probability, depth_mm=20.0)
    cut, checks = cut_tools(lay.outlines, options)
    if on_paper:
        lay = checked(lay, cut)
        cut, checks = cut_tools(lay.outlines, options)
    by_id = {c.outline_id: c for c in cut}
    return [
        _record(lay, pair, by_id.get(pair.outline.outline_id) if pair.outline else None,
                checks, fit, probability)
        for pair in lay.pairs
    ]  # fmt: skip


def _record(
    lay: TracedLay,
    pair: Pair,
    cut: CutTool | None,
    checks: Sequence[Check],
    fit: FitClass,
    probability: float,
) -> FitRecord:
    outline = pair.outline
    flagged = outline is None or lay.named(outline.outline_id)
    if outline is not None:
        flagged |= any(
            c.subject_id == outline.outline_id and c.severity.value != "note" for c in checks
        )
    seated = None if cut is None else seat(pair.true.outline, cut.region)
    return FitRecord(
        lay.lay.scene.name,
        lay.lay.name,
        lay.lay.kind,
        pair.tool.name,
        fit.value,
        probability,
        None if cut is None else cut.probability,
        cut is not None and cut.limited,
        flagged,
        None if seated is None else seated.interference_mm,
        None if seated is None else seated.looseness_mm,
        None if seated is None or outline is None else _sure_gap(seated, outline),
        None if cut is None else cut.pieces,
        None if cut is None else cut.kinks,
        None if cut is None else cut.wall_error_mm,
    )


def _sure_gap(seated: Seated, outline: Outline) -> float | None:
    """Mean gap where the outline's edge is sure; None where none of it is."""
    ring = np.asarray(outline.region.exterior.coords)[:-1, :2]
    if len(ring) != len(outline.sigma_ring_mm):
        return None
    nearest = cKDTree(ring).query(seated.points_mm)[1]
    sure = outline.sigma_ring_mm[nearest] <= SURE_MM
    return float(seated.gaps_mm[sure].mean()) if sure.any() else None


def _first(lay: Lay) -> bool:
    return lay.photos == (0,) or (lay.photos == (0, 1, 2) and not lay.typed)


def chosen_lays(
    folders: Sequence[Path], only: str, kinds: Sequence[str], *, firsts: bool
) -> list[Lay]:
    """Lays of all scenes that are to be measured."""
    return [
        lay
        for scene in find_scenes(list(folders))
        if scene.expected == "ok" and only in scene.name
        for lay in lays_of(scene)
        if (not kinds or lay.kind in kinds) and (_first(lay) or not firsts)
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.fit")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--machine", default="router")
    parser.add_argument("--fits", default=",".join(FitClass))
    parser.add_argument("--probabilities", default="0.5,0.8,0.9,0.95")
    parser.add_argument("--only", default="", help="scenes whose name holds this text")
    parser.add_argument("--kinds", default="", help="one typed, one open, several")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--markdown", type=Path, help="write the table for the docs")
    parser.add_argument("--traced-only", action="store_true", help="leave out untraced lays")
    parser.add_argument("--checked", action="store_true", help="tools tried on paper first")
    parser.add_argument("--firsts", action="store_true", help="first photo, first three photos")
    chosen = parser.parse_args(arguments)
    machine = read_machine(chosen.machine)
    fits = [FitClass(f) for f in chosen.fits.split(",")]
    probabilities = [float(p) for p in chosen.probabilities.split(",")]
    records: list[FitRecord] = []
    kinds = [k for k in chosen.kinds.split(",") if k]
    for lay in chosen_lays(chosen.folders, chosen.only, kinds, firsts=chosen.firsts):
        if chosen.traced_only and not (chosen.cache / f"{lay.name}.job" / "job.json").exists():
            continue
        found = traced(lay, chosen.cache)
        if found is None:
            print(f"{lay.name}: refused", flush=True)
            continue
        for fit in fits:
            for probability in probabilities:
                records += measure(found, machine, fit, probability, on_paper=chosen.checked)
        print(f"measured {lay.name}", flush=True)
    if not records:
        parser.error("no lay found")
    if chosen.json:
        chosen.json.write_text(json.dumps([asdict(r) for r in records]), "utf-8")
    print(tables([asdict(r) for r in records]))
    if chosen.markdown:
        chosen.markdown.write_text(markdown([asdict(r) for r in records]), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
