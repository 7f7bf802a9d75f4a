"""``tracer divide``: one set of tools over several bays."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record
from tracer.cli.options import (
    Json,
    LayoutEffort,
    LayoutGap,
    LayoutSeed,
    LayoutSpare,
    Quiet,
    Replace,
    choice,
    length,
    size,
    with_range,
)
from tracer.errors import UsageError
from tracer.lengths import format_length
from tracer.model.panel import Bay, BayKind
from tracer.model.panel_plan import Effort, Spare, Style
from tracer.ranges import shown

if TYPE_CHECKING:
    from tracer.model.panel_plan import PanelPlan
    from tracer.workflows.arranging.divide import Divided
    from tracer.workflows.arranging.several_bays import BayOrder

__all__ = ["divide"]


def divide(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    bay: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[NAME=]WxH[xDEPTH]",
            help=with_range(
                "A bay: name, width, height, clear depth. Several times, from the one nearest to "
                "the hand to the lowest.",
                "--bay",
            ),
        ),
    ] = None,
    kind: Annotated[str | None, typer.Option(metavar="KIND", help="wall or drawer.")] = None,
    clear_depth: Annotated[
        Any,
        typer.Option(
            parser=length("--clear-depth"),
            metavar="LENGTH",
            help=with_range("Clear depth of bays that have none of their own.", "--clear-depth"),
        ),
    ] = None,
    put: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID,ID=NAME", help="Tools that go into a bay of your choice. Several times."
        ),
    ] = None,
    style: Annotated[
        str | None,
        typer.Option(metavar="STYLE", help="rows, dense (smallest), spread (fills)."),
    ] = None,
    gap: LayoutGap = None,
    spare: LayoutSpare = None,
    effort: LayoutEffort = None,
    seed: LayoutSeed = None,
    partly: Annotated[
        bool,
        typer.Option("--partly", help="Make the panels of what fits where not all tools do."),
    ] = False,
    replace_jobs: Replace = False,
    inch: Annotated[bool, typer.Option("--inch", help="Show lengths in inches.")] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """A set too large for one bay to several: by weight and use, like with like; a job for each."""
    console = Console(as_json=as_json, quiet=quiet)
    kinds = choice(kind, {k.value: k for k in BayKind}, "--kind")
    given = {
        "style": choice(style, {x.value: x for x in Style}, "--style"),
        "gap_mm": gap,
        "spare": choice(spare, {x.value: x for x in Spare}, "--spare"),
        "effort": choice(effort, {x.value: x for x in Effort}, "--effort"),
        "seed": None if seed is None else int(seed),
    }
    given = {k: v for k, v in given.items() if v is not None}

    from tracer.panel.checks.report import failed
    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.arranging.divide import divide_job

    def edit(old: PanelPlan) -> PanelPlan:
        return replace(old, placement=replace(old.placement, **given))

    done = divide_job(
        JobFolder(job_path(job)),
        [_bay(text, n, clear_depth) for n, text in enumerate(bay or (), start=1)],
        edit,
        kind=kinds,
        put=_put(put or ()),
        partly=partly,
        replacing=replace_jobs,
        progress=console,
    )
    console.finish()
    console.checks(done.checks)
    for panel in done.panels:
        if panel is not None:
            console.say(f"{panel.job.name}:")
            console.checks(panel.checks)
    console.result(_record(done), _summary(done, inch))
    if any(p is not None and failed(p.checks, ()) for p in done.panels):
        raise typer.Exit(EXIT_CHECK_FAILED)


def _bay(text: str, position: int, clear_mm: float | None) -> BayOrder:
    from tracer.workflows.arranging.several_bays import BayOrder

    name, equals, rest = text.rpartition("=")
    name = name.strip()
    if equals and not name:
        raise UsageError(
            "size-unreadable", f"{shown(text)} names no bay.", "Write it like low=560x400."
        )
    sides = [side.strip() for side in re.split("[xX×]", rest)]
    if len(sides) == 3:
        unit = re.search(r"[a-z\"]+$", sides[2], re.IGNORECASE)
        if unit is not None and sides[1][-1:].isdigit():
            sides[1] += unit[0]  # "24x18x3in" means inches three times
        clear_mm = length("--clear-depth")(sides[2])
        rest = "x".join(sides[:2])
    width, height = size("--bay")(rest)
    return BayOrder(
        name or str(position), Bay(BayKind.DRAWER, width, height, clear_depth_mm=clear_mm)
    )


def _put(texts: list[str] | tuple[()]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts:
        tools, equals, bay = text.rpartition("=")
        ids = [t.strip() for t in tools.split(",") if t.strip()]
        if not equals or not ids or not bay.strip():
            raise UsageError(
                "put-unreadable",
                f"{shown(text)} says no bay for tools.",
                "Write it like --put T03,T05=low.",
            )
        for tool in ids:
            if found.get(tool, bay.strip()) != bay.strip():
                raise UsageError(
                    "put-unreadable",
                    f"{tool} is put into two bays, {found[tool]} and {bay.strip()}.",
                    "Name it once.",
                )
            found[tool] = bay.strip()
    return found


def _record(done: Divided) -> dict[str, Any]:
    return {
        "job": str(done.job.path),
        "bays": [
            {
                "name": b.name,
                "size_mm": [b.bay.width_mm, b.bay.height_mm],
                "clear_depth_mm": b.bay.clear_depth_mm,
                "job": None if p is None else str(p.job.path),
                "tools": [t.pocket_id for t in done.tools if t.bay == n],
                "checks": [] if p is None else [check_record(c) for c in p.checks],
            }
            for n, (b, p) in enumerate(zip(done.bays, done.panels, strict=True))
        ],
        "tools": [
            {
                "id": t.pocket_id,
                "name": t.name,
                "bay": None if t.bay is None else done.bays[t.bay].name,
                "why": t.why,
            }
            for t in done.tools
        ],
        "checks": [check_record(c) for c in done.checks],
        "steps": {name: round(s, 4) for name, s in done.seconds.items()},
    }


def _summary(done: Divided, inch: bool) -> str:
    lines = []
    for n, (one, panel) in enumerate(zip(done.bays, done.panels, strict=True)):
        width, height = (format_length(v, inch=inch) for v in (one.bay.width_mm, one.bay.height_mm))
        mine = [t for t in done.tools if t.bay == n]
        where = "nothing goes in" if panel is None else f"{len(mine)} tools, {panel.job.path}"
        lines.append(f"{one.name}, {width} x {height}: {where}")
        lines += [f"  {t.pocket_id} {t.name}: {t.why}" for t in mine]
    out = [t for t in done.tools if t.bay is None]
    lines += ["in no bay:"] * bool(out) + [f"  {t.pocket_id} {t.name}: {t.why}" for t in out]
    return "\n".join(lines)
