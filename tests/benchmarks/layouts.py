"""Are layouts found where there is room, are they sound, dense, quick, and fair to look at.

    python -m tests.benchmarks.layouts JOBS... --cache FOLDER
        [--counts 8,15,30,60] [--factors 1.15,1.35,1.8] [--aspects 1,2,3]
        [--seeds 2] [--first-seed 0]
        [--dense-seconds 5] [--parts solve,dense,rules] [--keep FILE.jsonl] [--most-seconds 280]
        [--markdown FILE]

JOBS are folders of traced jobs; the pockets of their tools are made once into the cache. A case is
a random subset of these (the same tool may come again; half are mirrored, sizes vary by up to 15 %,
all are turned at random), with gaps, notches and labels of a drawer. ``solve``: bays of ``factors``
times the area that spyrrow alone needs for the same shapes (openings with notches and labels, grown
by half the gap), at each aspect; the margins towards the rim are added on all sides. *Solved*: a
layout of any style that keeps every hard rule by shapely's distances. Cases in which one tool alone
does not fit the bay are left out and counted. ``dense``: length of the strip, own search against
spyrrow at the same strip height, turns and CPU time. ``rules``: soft figures of the photographed
lays, the tidied ones and fresh ones in the same bay. Times are CPU seconds of one thread (set
OPENBLAS_NUM_THREADS=1).

With ``--keep`` every record is a line of a file, and what is there is not measured again: many
short runs (``--most-seconds``, by the clock) make one long one.
"""

from __future__ import annotations

import argparse
import math
import pickle
import random
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shapely import affinity
from shapely.geometry import box

from tests.benchmarks.layouts_records import TERMS, Kept, markdown, tables
from tests.panel.fresh.checker_shapes import Placed, broken
from tracer.errors import TracerError
from tracer.model.panel import Bay, BayKind, Placement
from tracer.model.panel_plan import (
    Arrangement,
    MovePlan,
    PanelPlan,
    PlacementPlan,
    Style,
)
from tracer.panel.build import build_panel, make_pockets, plies_of, rules_of, wanted_tools
from tracer.panel.fresh.layouts import EFFORTS, Wishes, make_layouts
from tracer.panel.fresh.pieces import Source
from tracer.panel.fresh.score import score, weights_for
from tracer.panel.fresh.setting import sources_of, task_of
from tracer.panel.layout.placement import middle
from tracer.panel.packing.dense import packed, solved, used_mm
from tracer.panel.packing.task import Spot, Task
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import tools_of_job

KIND = BayKind.DRAWER
#: density that a strip is begun with: what spyrrow reaches for such shapes, about
_GUESS = 1.45


@dataclass(frozen=True)
class Case:
    """One bay to fill."""

    count: int
    seed: int
    factor: float
    aspect: float


# -- tools ----------------------------------------------------------------------------------------


def all_sources(jobs: Sequence[Path], cache: Path) -> list[Source]:
    """Pockets of all tools of all jobs, made once."""
    found: list[Source] = []
    plan = PanelPlan(bay=Bay(KIND, 500, 400))
    cache.mkdir(parents=True, exist_ok=True)
    for job in sorted(jobs):
        kept = cache / f"{job.stem}.pickle"
        if not kept.exists():
            tools, _ = tools_of_job(JobFolder(job), plan)
            sources = []
            if tools:
                sources = sources_of(tools, make_pockets(tools, plan)[0], plan)
            kept.write_bytes(pickle.dumps(sources))
        found += pickle.loads(kept.read_bytes())
    return found


def scaled(source: Source, by: float) -> Source:
    """The tool larger or smaller."""
    grow = {"xfact": by, "yfact": by, "origin": (0, 0)}
    pocket = source.pocket
    return replace(
        source,
        outline=affinity.scale(source.outline, **grow),
        pocket=replace(
            pocket,
            outline=affinity.scale(pocket.outline, **grow),
            region=affinity.scale(pocket.region, **grow),
            wall=affinity.scale(pocket.wall, **grow),
        ),
    )


def subset(sources: Sequence[Source], count: int, seed: int) -> list[Source]:
    """A random heap."""
    dice = random.Random(1000 * count + seed)
    out = []
    for k in range(count):
        one = scaled(dice.choice(list(sources)), dice.uniform(0.87, 1.15))
        lie = one.lie
        if dice.random() < 0.5:
            lie = lie.then(Placement(0, 0, 0, mirrored=True))
        lie = lie.then(Placement(0, 0, dice.uniform(0, 2 * math.pi)))
        name = f"T{k + 1:02d}"
        pocket = replace(one.pocket, pocket_id=name, number=k + 1, name=name, outline_id=name)
        out.append(replace(one, lie=lie, pocket=pocket))
    return out


def heap_task(sources: Sequence[Source], width: float, height: float) -> Task:
    """The task of a drawer."""
    plan = PanelPlan(bay=Bay(KIND, width, height))
    return task_of(sources, plan, plies_of(plan))


def in_bay(task: Task, width: float, height: float) -> Task:
    """The same pieces in another rectangular bay."""
    return replace(task, shape=box(0, 0, width, height))


def envelope_area(task: Task) -> float:
    """Area of all shapes with half their gaps."""
    return sum(float(p.variants[0].envelope.area) for p in task.pieces)


def margin_mm(task: Task) -> float:
    """What a bay needs beyond a strip of envelopes: the rim's distance less half a gap, twice."""
    rules = rules_of(PanelPlan(), Bay(KIND, 1, 1))
    return 2 * (rules.edge_mm - task.gap_mm / 2)


def violations(task: Task, spots: Sequence[Spot]) -> list[str]:
    """Rules that a layout breaks, by shapely's distances."""
    rules = rules_of(PanelPlan(), Bay(KIND, 1, 1))
    placed = []
    for s in spots:
        v = task.variant(s)
        shapes = [affinity.translate(g, s.x_mm, s.y_mm) for g in (v.tool, v.cuts, v.label)]
        placed.append(Placed(task.pieces[s.piece].pocket_id, *shapes))
    return broken(placed, task.shape, rules, task.gap_mm, rules.edge_mm)


# -- spyrrow alone --------------------------------------------------------------------------------


def spyrrow_length(task: Task, height: float, seconds: int, seed: int) -> tuple[float, float]:
    """Length of the strip that spyrrow needs, and the CPU seconds it took."""
    import spyrrow

    items = [
        spyrrow.Item(
            str(n),
            [(float(x), float(y)) for x, y in p.variants[0].envelope.exterior.coords[:-1]],
            1,
            [0.0, 90.0, 180.0, 270.0],
        )
        for n, p in enumerate(task.pieces)
    ]
    start = time.process_time()
    config = spyrrow.StripPackingConfig(
        total_computation_time=seconds, num_workers=1, seed=seed, early_termination=True
    )
    found = spyrrow.StripPackingInstance("", height, items).solve(config)
    return float(found.width), time.process_time() - start


# -- parts ----------------------------------------------------------------------------------------


class _First(Exception):
    """The first layout is there."""


def solve_case(task: Task, case: Case, needed: float) -> dict[str, Any]:
    """One bay: whether it is solved, how fast, and what is broken."""
    area = case.factor * needed
    width = math.sqrt(area * case.aspect)
    margin = margin_mm(task)
    there = in_bay(task, round(width + margin, 1), round(area / width + margin, 1))
    record: dict[str, Any] = {**vars(case), "size_mm": there.size_mm}
    if not all(any(there.fits_alone(n, t) for t in range(4)) for n in range(len(there.pieces))):
        return record | {"left_out": True}
    start = time.process_time()
    wishes = Wishes(Style.ROWS, case.seed, EFFORTS["quick"], count=1, first=True)
    found = make_layouts(there, wishes)
    seconds = time.process_time() - start
    if not found:
        spots = solved(there, case.seed + 50, lambda: None)
        if spots is None:
            return record | {"solved": False, "first_s": None, "violations": []}
        return record | {"solved": True, "style": "dense", "first_s": time.process_time() - start,
                         "violations": violations(there, spots)}  # fmt: skip
    return record | {
        "solved": True,
        "style": found[0].style,
        "first_s": seconds,
        "violations": violations(there, found[0].spots),
    }


def dense_case(task: Task, count: int, seed: int, strip: dict[str, Any]) -> dict[str, Any]:
    """Length of the own search in the CPU time that spyrrow took, beside spyrrow's."""
    area, margin = envelope_area(task), margin_mm(task)
    height, theirs = strip["height"], strip["length"]
    own = math.inf
    there = in_bay(task, 2.2 * area / height + margin, height + margin)
    end = time.process_time() + strip["seconds"]

    def keep(spots: tuple[Spot, ...]) -> None:
        nonlocal own
        own = min(own, used_mm(there, spots) - margin)

    def tick() -> None:
        if time.process_time() > end:
            raise _First

    for again in range(100):
        try:
            packed(there, seed + 1000 * again, 3, tick, keep)
        except _First:
            break
    return {"count": count, "seed": seed, "height": height, "spyrrow": theirs, "own": own,
            "seconds": strip["seconds"]}  # fmt: skip


def lay_rules(job: Path) -> Iterator[dict[str, Any]]:
    """Soft figures of a lay as photographed, tidied, and laid out afresh in the same bay."""
    tools, _ = tools_of_job(JobFolder(job), PanelPlan())
    if len(tools) < 3:
        return
    first = PanelPlan()
    wanted = wanted_tools(tools, first)
    made = make_pockets(wanted, first)
    bay = build_panel(wanted, first, made=made).panel.bay
    plan = PanelPlan(bay=replace(bay, kind=KIND))
    for how in (Arrangement.PHOTOGRAPHED, Arrangement.TIDIED):
        placed = replace(plan, placement=PlacementPlan(how))
        panel = build_panel(wanted, placed, made=made).panel
        moves = []
        for tool, pocket, own in zip(wanted, panel.pockets, made[0], strict=True):
            x, y = middle(pocket.placement.apply_polygon(own.region).bounds)
            turn = math.degrees(pocket.placement.angle_rad - tool.lie.angle_rad)
            moves.append(MovePlan(tool.pocket_id, x, y, turn))
        try:
            task = task_of(
                sources_of(wanted, made[0], plan), replace(plan, moves=tuple(moves)), plies_of(plan)
            )
        except TracerError as refused:  # tools that touch in the photo
            if refused.slug != "layout-locked-overlap":
                raise
            continue
        yield _figures(job, how.value, task, task.stays)
    task = task_of(sources_of(wanted, made[0], plan), plan, plies_of(plan))
    for style in Style:
        found = make_layouts(task, Wishes(style, 0, EFFORTS["quick"]))
        if found:
            yield _figures(job, style.value, task, found[0].spots)


def _figures(job: Path, how: str, task: Task, spots: Sequence[Spot]) -> dict[str, Any]:
    figures = score(task, spots, weights_for(KIND, {})).terms
    return {"job": job.stem, "how": how, **{n: figures.get(n) for n in TERMS}}


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.layouts")
    parser.add_argument("jobs", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--counts", default="8,15,30,60")
    parser.add_argument("--factors", default="1.15,1.35,1.8")
    parser.add_argument("--aspects", default="1,2,3")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--dense-seconds", type=int, default=5)
    parser.add_argument("--parts", default="solve,dense,rules")
    parser.add_argument("--keep", type=Path, help="file of records, gone on with")
    parser.add_argument("--most-seconds", type=float, default=math.inf)
    parser.add_argument("--markdown", type=Path, help="write the tables for the docs")
    chosen = parser.parse_args(arguments)
    kept = Kept(chosen.keep)
    end = time.monotonic() + chosen.most_seconds
    whole = _measure(chosen, kept, lambda: time.monotonic() > end)
    print(tables(kept.records))
    print("" if whole else "\nnot all was measured: run again with the same --keep")
    if chosen.markdown:
        chosen.markdown.write_text(markdown(kept.records), "utf-8")
    return 0


def _measure(chosen: argparse.Namespace, kept: Kept, over: Callable[[], bool]) -> bool:
    """All that is asked for and not kept yet; False where time was over before."""
    parts = chosen.parts.split(",")
    sources = all_sources(chosen.jobs, chosen.cache)
    if not sources:
        raise SystemExit("no tool found")
    print(f"{len(sources)} outlines of {len(chosen.jobs)} lays", flush=True)
    counts = [int(c) for c in chosen.counts.split(",")] if {"solve", "dense"} & set(parts) else []
    factors = [float(f) for f in chosen.factors.split(",")]
    aspects = [float(a) for a in chosen.aspects.split(",")]
    # seeds first: a run that is cut off has something of all counts
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.seeds):
        for count in counts:
            if over():
                return False
            heap = {"count": count, "seed": seed}
            wanted = [Case(count, seed, f, a) for f in factors for a in aspects]
            left = [c for c in wanted if not kept.find(part="solve", **vars(c))]
            dense = "dense" in parts and not kept.find(part="dense", **heap)
            if not dense and not (left and "solve" in parts):
                continue
            start = time.process_time()
            task = heap_task(subset(sources, count, seed), 900, 700)
            made_s = time.process_time() - start

            def need(task: Task = task, count: int = count, seed: int = seed) -> dict[str, Any]:
                height = math.sqrt(_GUESS * envelope_area(task) / 1.5)
                length, spent = spyrrow_length(task, height, chosen.dense_seconds, seed + 1)
                return {"height": height, "length": length, "seconds": spent}

            strip = kept.once(need, part="need", **heap)
            if dense:
                kept.add({"part": "dense", **dense_case(task, count, seed, strip)})
            for case in left if "solve" in parts else ():
                if over():
                    return False
                record = solve_case(task, case, strip["length"] * strip["height"])
                kept.add({"part": "solve", **record, "pieces_s": made_s})
            print(f"{count} tools, seed {seed}: done", flush=True)
    for job in sorted(chosen.jobs) if "rules" in parts else ():
        if not kept.find(part="rules", job=job.stem):
            for record in lay_rules(job):
                kept.add({"part": "rules", **record})
            print(f"{job.stem}: done", flush=True)
    return True


if __name__ == "__main__":
    raise SystemExit(main())
