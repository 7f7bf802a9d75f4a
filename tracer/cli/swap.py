"""``tracer swap``: one tool traced again, everything else left alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record, quoted
from tracer.cli.options import (
    Json,
    Quiet,
    card_sizes,
    choice,
    length,
    number,
    points,
    text,
    whole,
    with_range,
)
from tracer.errors import UsageError
from tracer.model.report import Severity
from tracer.ranges import shown

__all__ = ["swap"]

_NUMBER = r"(-?[0-9]{1,15}(?:\.[0-9]{1,15})?)"
_PAIR = re.compile(rf"^\s*{_NUMBER}\s*,\s*{_NUMBER}\s*$")


def swap(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    tool: Annotated[
        str | None,
        typer.Argument(metavar="TOOL", help="Number or name of the old tool; several as T01,T03."),
    ] = None,
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO...", help="Photos of the new tool, cards in view."),
    ] = None,
    place: Annotated[
        str,
        typer.Option(
            metavar="RULE",
            help="auto, as-laid (cards unmoved), overlay (best agreement), handle, centre, hang.",
        ),
    ] = "auto",
    shift: Annotated[
        str | None,
        typer.Option(metavar="X,Y", help=with_range("Then shift it by so many mm.", "--shift")),
    ] = None,
    turn: Annotated[
        Any,
        typer.Option(
            parser=number("--turn"),
            metavar="DEG",
            help=with_range("Then turn it, counter-clockwise.", "--turn"),
        ),
    ] = "0",
    mirror: Annotated[bool, typer.Option("--mirror", help="Lay it on its other face.")] = False,
    point: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y",
            help=with_range("Point (px) on the new tool where the photo shows more.", "--point"),
        ),
    ] = None,
    name: Annotated[
        str | None,
        typer.Option(parser=text("--name"), metavar="NAME", help="Name of the new tool."),
    ] = None,
    height: Annotated[
        Any,
        typer.Option(
            parser=length("--height"),
            metavar="LENGTH",
            help=with_range("Its height (default: the old one's).", "--height"),
        ),
    ] = None,
    card_size: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[CARD:]LxS",
            help=with_range(
                "Measured sides of the printed boards (default: as typed for the lay).",
                "--card-size",
            ),
        ),
    ] = None,
    scan: Annotated[
        bool, typer.Option("--scan", help="PHOTO is a flatbed scan, one card face down beside it.")
    ] = False,
    edge: Annotated[
        str | None, typer.Option(metavar="MODEL", help="mid, thin, upright, round or learned.")
    ] = None,
    silhouettes: Annotated[
        str, typer.Option(metavar="WAY", help="auto, classical or learned.")
    ] = "auto",
    add: Annotated[
        bool, typer.Option("--add", help="TOOL is the name of a tool that comes new to the lay.")
    ] = False,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y", help=with_range("With --add: where its middle goes, in mm.", "--at")
        ),
    ] = None,
    remove: Annotated[
        bool, typer.Option("--remove", help="The tool goes and none comes: plug only.")
    ] = False,
    back_to: Annotated[
        Any,
        typer.Option(
            "--back-to",
            parser=whole("--back-to"),
            metavar="REVISION",
            help=with_range("Bring back a revision.", "--back-to"),
        ),
    ] = None,
    reason: Annotated[
        str,
        typer.Option(parser=text("--reason"), metavar="TEXT", help="Why, for the job's history."),
    ] = "",
    machine: Annotated[
        str, typer.Option(metavar="NAME", help="Machine profile for the patch, as cut.")
    ] = "oscillating-knife",
    material: Annotated[
        str, typer.Option(metavar="NAME", help="Foam of the patch, as cut; decides about heat.")
    ] = "unknown",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Replace one tool: trace it, lay it into the old place, plan the patch. All else stays."""
    console = Console(as_json=as_json, quiet=quiet)
    common, own = card_sizes(card_size or [])
    numbers = {k: _pair(v, k) for k, v in (("--shift", shift), ("--point", point), ("--at", at))}
    _refuse_mixtures(tool, photos or [], add, remove, back_to)

    from tracer.calibration import CardSizes
    from tracer.export.machine.checks import job_cautions, material_named, refuse_forbidden
    from tracer.export.machine.profiles import read_machine
    from tracer.export.swap_files import CAUTIONS as PATCH_CAUTIONS
    from tracer.model.lay_settings import LaySettings, Separation
    from tracer.model.outline import EdgeModel
    from tracer.panel.swap.place import Rule
    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.cutting.cut_job import machines_cut_for
    from tracer.workflows.job.trace_job import read_photos
    from tracer.workflows.swapping import swap_job as work
    from tracer.workflows.swapping.added_tool import Wished, add_tool
    from tracer.workflows.swapping.swap import SwapOptions

    typed = LaySettings(
        card_sizes=CardSizes(common, own),
        edge=choice(edge, {m.value: m for m in EdgeModel}, "--edge"),
        separation=choice(silhouettes, {s.value: s for s in Separation}, "--silhouettes"),
        scan=scan or None,
    )
    profile, foam = read_machine(machine), material_named(material)
    refuse_forbidden(profile, foam)
    run = work.SwapRun(settings=typed, machine=profile, height_mm=height, reason=reason)
    options = SwapOptions(
        rule=choice(place, {r.value: r for r in Rule}, "--place"),
        shift_mm=numbers["--shift"] or (0.0, 0.0),
        turn_rad=turn * 3.141592653589793 / 180,
        mirror=mirror,
        point_px=numbers["--point"],
        name=name,
    )
    folder = JobFolder(job_path(job))
    files = read_photos(photos or [])
    if back_to is not None:
        done = work.restore(folder, back_to, run)
    elif remove:
        done = work.remove_tool(folder, tool or "", run, console)
    elif add:
        title = name or text("TOOL")(tool or "")
        done = add_tool(folder, title, files, options, Wished(numbers["--at"]), run, console)
    else:
        wanted = [w for w in (tool or "").split(",") if w.strip()]
        done = work.swap_tools(folder, wanted, files, options, run, console)
    console.finish()
    if any(f.startswith("patch/") for f in done.files):
        for sentence in (*PATCH_CAUTIONS, *job_cautions(profile, foam)):
            console.say(f"caution: {sentence}")
    console.checks(done.checks)
    record = {
        "job": str(done.job.path),
        "changes": [
            {
                "id": c.outline_id,
                "name": c.name,
                "outcome": c.outcome.value,
                "rule": c.rule,
                "added_mm2": round(c.change.added_mm2, 1),
                "removed_mm2": round(c.change.removed_mm2, 1),
                "largest_mm": round(c.change.largest_mm, 2) if c.change.largest_mm >= 0 else None,
                "remedy": c.patch.remedy.value if c.patch else None,
                "new_foam_mm2": round(sum(p.area for p in c.patch.pieces), 1) if c.patch else 0.0,
            }
            for c in done.changes
        ],
        "checks": [check_record(c) for c in done.checks],
        "files": list(done.files),
        "steps": {step: round(s, 4) for step, s in done.seconds.items()},
    }
    stale = machines_cut_for(folder) if _any_change(done, back_to) else []
    record["cut_before"] = stale
    console.result(record, "\n".join([_summary(done, back_to), *_next(job, stale)]))
    if any(c.severity is Severity.FAIL for c in done.checks):
        raise typer.Exit(EXIT_CHECK_FAILED)


def _any_change(done: Any, back_to: int | None) -> bool:
    """Whether the job's outlines are others than before."""
    return back_to is not None or any(c.outcome.value != "pocket stays" for c in done.changes)


def _next(job: str, stale: Sequence[str]) -> list[str]:
    """What still shows the tools of before, and the commands that make it new."""
    lines = []
    if stale:
        lines.append("cut/ is left as it was, with the pockets of before. For a whole new panel:")
        lines += [f"  tracer cut {quoted(job)} --machine {m} --replace" for m in stale]
    return lines


def _summary(done: Any, back_to: int | None) -> str:
    if back_to is not None:
        return f"Revision {back_to} is back in outlines, tool list and panel."
    lines = []
    for c in done.changes:
        text = f"{c.outline_id} {c.name}: {c.outcome.value}"
        if c.patch is not None:
            text += (
                f" (+{c.change.added_mm2:.0f} / -{c.change.removed_mm2:.0f} mm2),"
                f" patch: {c.patch.remedy.value}"
            )
        lines.append(text + (f", laid by {c.rule}" if c.rule else ""))
    patches = sorted({str(Path(f).parent) for f in done.files if f.startswith("patch/")})
    lines += [f"Steps, template and cutting files: {done.job.path / p}" for p in patches]
    return "\n".join(lines)


def _pair(text: str | None, option: str) -> tuple[float, float] | None:
    if text is None:
        return None
    found = _PAIR.match(text)
    if found is None:
        raise UsageError(
            "point-unreadable", f"{option} {shown(text)} is not X,Y.", "Write 12,-3.5."
        )
    return points(option, [float(found[1]), float(found[2])])[0]


def _refuse_mixtures(
    tool: str | None, photos: list[Path], add: bool, remove: bool, back_to: int | None
) -> None:
    if sum((add, remove, back_to is not None)) > 1:
        raise UsageError("usage", "--add, --remove and --back-to exclude one another.")
    if back_to is None and not tool:
        raise UsageError("usage", "No tool is named.", "Write tracer swap JOB TOOL PHOTO...")
    if back_to is None and not remove and not photos:
        raise UsageError("usage", "No photo of the new tool is named.")
    if remove and photos:
        raise UsageError("usage", "--remove takes no photo.")
