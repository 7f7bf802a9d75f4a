"""``tracer arrange``: outlines to a panel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracer.cli.arranged_words import arranged_record, figures, summary
from tracer.cli.console import EXIT_CHECK_FAILED, Console
from tracer.cli.options import (
    Json,
    LayoutEffort,
    LayoutGap,
    LayoutSeed,
    LayoutSpare,
    Quiet,
    length,
    number,
    size,
    with_range,
)
from tracer.cli.options import choice as one_of  # an option of its own is called choice
from tracer.errors import TracerError
from tracer.lengths import format_length
from tracer.loading import read_file
from tracer.model.panel import BayKind
from tracer.model.panel_plan import (
    Anchor,
    Arrangement,
    Effort,
    FitClass,
    Hand,
    Spare,
    Style,
)
from tracer.ranges import MOST_BYTES

if TYPE_CHECKING:
    from tracer.model.panel_plan import PanelPlan

__all__ = ["arrange"]


def arrange(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.toml", help="Plan to use instead of the job's panel.toml."),
    ] = None,
    bay: Annotated[
        Any,
        typer.Option(
            parser=size("--bay"),
            metavar="WxH",
            help=with_range("Width and height of the bay.", "--bay"),
        ),
    ] = None,
    kind: Annotated[str | None, typer.Option(metavar="KIND", help="wall or drawer.")] = None,
    clear_depth: Annotated[
        Any,
        typer.Option(
            parser=length("--clear-depth"),
            metavar="LENGTH",
            help=with_range("Clear depth of the drawer or bay.", "--clear-depth"),
        ),
    ] = None,
    diagonals: Annotated[
        Any,
        typer.Option(
            parser=size("--diagonals"),
            metavar="RxF",
            help=with_range(
                "Measured diagonals: lower left to upper right, upper left to lower right.",
                "--diagonals",
            ),
        ),
    ] = None,
    squeeze: Annotated[
        Any,
        typer.Option(
            parser=length("--squeeze"),
            metavar="LENGTH",
            help=with_range("Panel larger than the bay by this, to grip.", "--squeeze"),
        ),
    ] = None,
    above_floor: Annotated[
        Any,
        typer.Option(
            parser=length("--above-floor"),
            metavar="LENGTH",
            help=with_range("Lower edge of a wall panel above the floor.", "--above-floor"),
        ),
    ] = None,
    place: Annotated[
        str | None,
        typer.Option(
            metavar="HOW",
            help="photographed (as they lay), tidied (rows straightened), or fresh (a layout made "
            "from nothing; needs a bay).",
        ),
    ] = None,
    style: Annotated[
        str | None,
        typer.Option(
            metavar="STYLE", help="Of a fresh layout: rows, dense (smallest), spread (fills)."
        ),
    ] = None,
    choice: Annotated[
        Any,
        typer.Option(
            parser=number("--choice"),
            metavar="N",
            help=with_range("Which of the fresh layouts shown to take.", "--choice"),
        ),
    ] = None,
    stay: Annotated[
        str | None,
        typer.Option(
            metavar="ID,ID", help="Tools that stay where they are; the rest is laid out afresh."
        ),
    ] = None,
    gap: LayoutGap = None,
    spare: LayoutSpare = None,
    effort: LayoutEffort = None,
    seed: LayoutSeed = None,
    max_shift: Annotated[
        Any,
        typer.Option(
            parser=length("--max-shift"),
            metavar="LENGTH",
            help=with_range("Tidying moves no tool further.", "--max-shift"),
        ),
    ] = None,
    anchor: Annotated[
        str | None, typer.Option(metavar="WHERE", help="centre, or margin from the lower left.")
    ] = None,
    edge: Annotated[
        Any,
        typer.Option(
            parser=length("--edge"),
            metavar="LENGTH",
            help=with_range("Tools to the panel's edge.", "--edge"),
        ),
    ] = None,
    turn: Annotated[
        Any,
        typer.Option(
            parser=number("--turn"),
            metavar="DEG",
            help=with_range("Turn the whole lay, counter-clockwise.", "--turn"),
        ),
    ] = None,
    fit: Annotated[
        str | None, typer.Option(metavar="CLASS", help="press, snug, easy or loose.")
    ] = None,
    fit_probability: Annotated[
        Any,
        typer.Option(
            parser=number("--fit-probability"),
            metavar="P",
            help=with_range("How surely each tool goes into its pocket.", "--fit-probability"),
        ),
    ] = None,
    loosest: Annotated[
        Any,
        typer.Option(
            parser=length("--loosest"),
            metavar="LENGTH",
            help=with_range("No wall stands off its tool by more than this.", "--loosest"),
        ),
    ] = None,
    gloved: Annotated[
        bool | None, typer.Option("--gloved/--bare", help="Finger notches for gloves.")
    ] = None,
    through_only: Annotated[
        bool | None,
        typer.Option("--layers/--depths", help="Build the face from layers cut right through."),
    ] = None,
    grip: Annotated[
        bool | None,
        typer.Option(
            "--grip/--no-grip",
            help="Panel larger than the bay by what its foam needs to hold by friction.",
        ),
    ] = None,
    drawing: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="SVG or DXF drawing that the plan names; it is kept in the job. Several times.",
        ),
    ] = None,
    accept: Annotated[
        list[str] | None,
        typer.Option(metavar="SLUG", help="Failed check that does not count. Several times."),
    ] = None,
    inch: Annotated[bool, typer.Option("--inch", help="Show lengths in inches.")] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Outlines to a panel: bay, places, depths, finger notches, seams, screws, checks."""
    console = Console(as_json=as_json, quiet=quiet)
    kinds = one_of(kind, {k.value: k for k in BayKind}, "--kind")
    where = one_of(anchor, {a.value: a for a in Anchor}, "--anchor")
    fits = one_of(fit, {f.value: f for f in FitClass}, "--fit")
    fresh: dict[str, Any] = {
        "style": one_of(style, {x.value: x for x in Style}, "--style"),
        "choice": None if choice is None else int(choice),
        "gap_mm": gap,
        "spare": one_of(spare, {x.value: x for x in Spare}, "--spare"),
        "effort": one_of(effort, {x.value: x for x in Effort}, "--effort"),
        "seed": None if seed is None else int(seed),
    }
    ways = one_of(place, {a.value: a for a in Arrangement}, "--place")
    stays = [name.strip() for name in stay.split(",") if name.strip()] if stay else []
    if ways is None and (stays or _given(fresh)):
        ways = Arrangement.FRESH  # what was typed means nothing else

    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.arranging.arrange import arrange_job

    measures = {
        "kind": kinds,
        "clear_depth_mm": clear_depth,
        "squeeze_mm": squeeze,
        "above_floor_mm": above_floor,
        "grip": grip,
    }
    if diagonals is not None:
        measures |= {"rising_mm": diagonals[0], "falling_mm": diagonals[1]}

    def edit(old: PanelPlan) -> PanelPlan:
        changes: dict[str, Any] = {
            "arrangement": ways,
            "max_shift_mm": max_shift,
            "anchor": where,
            "edge_mm": edge,
            "turn_deg": turn,
        }
        placed = replace(old.placement, **_given(changes | fresh))
        if ways is Arrangement.FRESH and choice is None:
            placed = replace(placed, choice=1)
        whole = {
            "fit": fits,
            "fit_probability": fit_probability,
            "loosest_mm": loosest,
            "hand": None if gloved is None else Hand.GLOVED if gloved else Hand.BARE,
            "through_only": through_only,
        }
        new = replace(old, placement=placed, **_given(whole))
        new = replace(new, bay=_bay(new, bay, _given(measures)))
        if ways is not None or edge is not None or new.bay != old.bay:
            new = replace(new, places=())  # what was chosen before was chosen for something else
        return new

    folder = JobFolder(job_path(job))
    done = arrange_job(
        folder,
        edit,
        plan_file=_plan(plan),
        stay=stays,
        bay=_given(measures),
        drawings=_drawings(drawing or ()),
        progress=console,
    )
    console.finish()
    for change in done.changes:
        console.say(
            f"tidied {change.pocket_id}: {format_length(change.dx_mm, inch=inch)} right, "
            f"{format_length(change.dy_mm, inch=inch)} up, {change.turn_deg:.1f} degrees"
        )
    for n, one in enumerate(done.choices, start=1):
        console.say(
            f"layout {n}{' (taken)' if n == done.plan.placement.choice else ''}: "
            f"{figures(one, inch)}"
        )
    console.checks(done.checks)
    console.unmet(accept or (), done.checks)
    console.result(arranged_record(done), summary(done, inch))

    from tracer.panel.checks.report import failed

    if failed(done.checks, accept or ()):
        raise typer.Exit(EXIT_CHECK_FAILED)


def _given(values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _bay(plan: PanelPlan, size_mm: tuple[float, float] | None, measures: dict[str, Any]) -> Any:
    from tracer.model.panel import Bay

    if plan.bay is not None:
        sides: dict[str, Any] = (
            {} if size_mm is None else {"width_mm": size_mm[0], "height_mm": size_mm[1]}
        )
        return replace(plan.bay, **sides, **measures)
    if size_mm is None:
        return None  # one that fits round the tools is made when they are known
    return Bay(**({"kind": BayKind.DRAWER} | measures), width_mm=size_mm[0], height_mm=size_mm[1])


def _plan(path: Path | None) -> tuple[str, bytes] | None:
    if path is None:
        return None

    def refuse(why: str) -> TracerError:
        return TracerError(
            "panel-plan-missing", f"{path} cannot be read: {why}.", "Check the name of the plan."
        )

    return path.name, read_file(path, MOST_BYTES["panel plan"], refuse)


def _drawings(paths: Sequence[Path]) -> dict[str, bytes]:
    def refuse(path: Path, why: str) -> TracerError:
        return TracerError(
            "plan-drawing-missing",
            f"The drawing {path} cannot be read: {why}.",
            "Check its name and folder.",
        )

    found = {}
    for path in paths:
        found[path.name] = read_file(path, MOST_BYTES["drawing"], partial(refuse, path))
    return found
