"""``tracer cut``: outlines to cutting files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record
from tracer.cli.options import Json, Quiet, Replace, length, number, whole, with_range
from tracer.errors import UsageError
from tracer.model.report import Severity
from tracer.ranges import shown

__all__ = ["cut"]


def cut(
    context: typer.Context,
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    machine: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="oscillating-knife, drag-knife, co2-laser, router, scalpel, or your own .toml.",
        ),
    ] = "oscillating-knife",
    material: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="pe, eva, pu, pvc, ps, pp, flame-retarded; decides about heat."
        ),
    ] = "unknown",
    thickness: Annotated[
        Any,
        typer.Option(
            parser=length("--thickness"),
            metavar="LENGTH",
            help=with_range("Thickness of the sheet, measured.", "--thickness"),
        ),
    ] = "30",
    depth: Annotated[
        Any,
        typer.Option(
            parser=length("--depth"),
            metavar="LENGTH",
            help=with_range(
                "Depth of pockets that the tool list gives none for (default: right through).",
                "--depth",
            ),
        ),
    ] = None,
    through: Annotated[
        bool,
        typer.Option("--through", help="Holes right through, whatever depths are typed."),
    ] = False,
    layers: Annotated[
        str | None,
        typer.Option(
            metavar="MM,MM",
            help="Thicknesses the foam is sold in, for machines that only cut through.",
        ),
    ] = None,
    fit: Annotated[
        str | None, typer.Option(metavar="CLASS", help="press, snug, easy (default) or loose.")
    ] = None,
    fit_mm: Annotated[
        Any,
        typer.Option(
            parser=length("--fit-mm"),
            metavar="LENGTH",
            help=with_range(
                "Gap a side where the edge is sure, instead of a class; negative to press.",
                "--fit-mm",
            ),
        ),
    ] = None,
    fit_probability: Annotated[
        Any,
        typer.Option(
            parser=number("--fit-probability"),
            metavar="P",
            help=with_range("How surely each tool goes into its pocket.", "--fit-probability"),
        ),
    ] = "0.9",
    loosest: Annotated[
        Any,
        typer.Option(
            parser=length("--loosest"),
            metavar="LENGTH",
            help=with_range("No wall stands off its tool by more than this.", "--loosest"),
        ),
    ] = "3",
    margin: Annotated[
        Any,
        typer.Option(
            parser=length("--margin"),
            metavar="LENGTH",
            help=with_range("Foam around the tools.", "--margin"),
        ),
    ] = "30",
    dxf_version: Annotated[
        str | None,
        typer.Option(metavar="VERSION", help="R2000 or R12 (default: as the machine's profile)."),
    ] = None,
    straight: Annotated[
        bool | None,
        typer.Option("--straight/--arcs", help="Chords or arcs (default: as the profile)."),
    ] = None,
    paper: Annotated[
        str,
        typer.Option(
            metavar="SIZE", help="Paper of the template: a4 to a0, letter, tabloid, roll-610."
        ),
    ] = "a4",
    printed: Annotated[
        str | None,
        typer.Option(
            metavar="XxY",
            help=with_range(
                "What the template's 100 mm bars measured, e.g. 99.8x100.1; kept for later.",
                "--printed",
            ),
        ),
    ] = None,
    accept: Annotated[
        list[str] | None,
        typer.Option(metavar="SLUG", help="Failed check that does not count. Several times."),
    ] = None,
    copies: Annotated[
        Any,
        typer.Option(
            parser=whole("--copies"),
            metavar="N",
            help=with_range("Kits of an arranged panel: serials, sheets, time of all.", "--copies"),
        ),
    ] = "1",
    archive: Annotated[
        bool, typer.Option("--zip", help="All files for the machine in one archive as well.")
    ] = False,
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Cutting files of a job: DXF, SVG, reference file, picture, paper template.

    An arranged job is cut as its panel says (tracer arrange): thickness, depths, fit and margin
    are the panel's then, what is typed otherwise is refused, and a job sheet is added. Otherwise
    the tools are cut as photographed.
    """
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.export.dxf.write import DxfVersion
    from tracer.export.machine.profiles import read_machine
    from tracer.model.panel_plan import FitClass
    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.cutting.cut import CutOptions
    from tracer.workflows.cutting.cut_job import cut_job

    version = None
    if dxf_version is not None:
        version = _choice(dxf_version, {v.value.lower(): v for v in DxfVersion}, "--dxf-version")
    options = CutOptions(
        machine=read_machine(machine),
        material=material,
        thickness_mm=thickness,
        depth_mm=depth,
        fit=None if fit is None else _choice(fit, {f.value: f for f in FitClass}, "--fit"),
        fit_mm=fit_mm,
        fit_probability=fit_probability,
        loosest_mm=loosest,
        edge_mm=margin,
        dxf_version=version,
        straight=straight,
        paper=paper,
        printer=_printer(printed),
        through=through,
        layers_mm=_lengths(layers),
        copies=copies,
        accepted=tuple(accept or ()),
        typed=_typed(context),
    )
    folder = JobFolder(job_path(job))
    done = cut_job(folder, options, replacing=replace, archive=archive, progress=console)
    console.finish()
    for sentence in dict.fromkeys(s for result in done.results for s in result.cautions):
        console.say(f"caution: {sentence}")
    console.checks(done.checks)
    console.unmet(options.accepted, done.checks)
    record = {
        "job": str(done.job.path),
        "machine": options.machine.key,
        "sheets": [
            {
                "title": result.cut.title,
                "size_mm": list(result.cut.size_mm),
                "pockets": len(result.pockets),
                "kerf": result.cut.kerf.sentence(),
                "path_mm": round(result.figures.path_mm, 1),
                "cut_mm": round(result.figures.cut_mm, 1),
                "plunges": result.figures.plunges,
                "seconds_at_least": round(result.figures.seconds),
                "wall_error_mm": None
                if result.walls is None
                else {
                    "mean": round(result.walls.mean_mm, 3),
                    "low": round(result.walls.low_mm, 3),
                    "high": round(result.walls.high_mm, 3),
                },
            }
            for result in done.results
        ],
        "cautions": sorted({s for result in done.results for s in result.cautions}),
        "checks": [check_record(c) for c in done.checks],
        "files": list(done.files),
        "reissued": list(done.reissued),
        "steps": {name: round(s, 4) for name, s in done.seconds.items()},
    }
    console.result(record, _summary(done))
    if any(c.severity is Severity.FAIL and c.slug not in options.accepted for c in done.checks):
        raise typer.Exit(EXIT_CHECK_FAILED)


def _typed(context: typer.Context) -> frozenset[str]:
    """Options that stand on the command line, whatever their value."""
    sources = {name: context.get_parameter_source(name) for name in context.params}
    return frozenset(
        f"--{name.replace('_', '-')}"
        for name, source in sources.items()
        if source is not None and source.name == "COMMANDLINE"
    )


def _summary(done: Any) -> str:
    lines = []
    for result in done.results:
        figures = result.figures
        width, height = result.cut.size_mm
        plural = "" if figures.plunges == 1 else "s"
        lines += [
            f"{result.cut.title}: {_contents(result)} a sheet of {width:.0f} x {height:.0f} mm",
            f"  cut {figures.cut_mm / 1000:.1f} m, {figures.plunges} plunge{plural}, at least "
            f"{max(figures.seconds / 60, 0.1):.1f} min at the profile's feeds",
            f"  {result.cut.kerf.sentence()}",
        ]
        if result.walls is not None:
            lines.append(f"  read back: {result.walls.sentence()}")
    if done.reissued:
        lines.append(f"{len(done.reissued)} of them differ from the cut before")
    home = {Path(name).parts[1].removesuffix(".zip") for name in done.files}
    place = done.job.path / "cut" / min(home)
    lines.append(f"{len(done.files)} files written to {place}; begin with READ-FIRST.pdf")
    return "\n".join(lines)


def _contents(result: Any) -> str:
    """What is cut out of a sheet, in words."""
    from tracer.model.drawing import Operation

    number = len(result.pockets)
    if number == 0:
        return "the edge alone, of"
    pieces = any(p.layer.operation is Operation.INSERT for p in result.cut.paths)
    what = "piece" if pieces else "pocket"
    return f"{number} {what}{'' if number == 1 else 's'} {'out of' if pieces else 'in'}"


def _choice(text: str, values: dict[str, Any], option: str) -> Any:
    if text.lower() in values:
        return values[text.lower()]
    raise UsageError(
        "usage", f"{option} cannot be {shown(text)}.", f"It is one of {', '.join(values)}."
    )


def _lengths(text: str | None) -> tuple[float, ...]:
    """Thicknesses as typed, with commas between."""
    from tracer.lengths import parse_length_mm

    found = tuple(parse_length_mm(part) for part in (text or "").split(",") if part.strip())
    if any(not 0 < mm <= 200 for mm in found):
        raise UsageError(
            "usage", f"--layers cannot be {shown(text)}.", "Type thicknesses like 5,10,15."
        )
    return found


def _printer(printed: str | None) -> Any:
    """The printer's scale as typed, which is then kept, or as it was kept."""
    from tracer.export.paper.template import PrinterScale
    from tracer.lengths import parse_size_mm
    from tracer.project.printer import load_printed, save_printed

    if printed is None:
        return PrinterScale(*load_printed())
    scale = PrinterScale(*parse_size_mm(printed))
    save_printed(scale.x_mm, scale.y_mm)
    return scale
