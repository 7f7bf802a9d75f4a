"""``tracer trace``: photos to outlines, the main job."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record
from tracer.cli.options import (
    Json,
    Quiet,
    Replace,
    card_sizes,
    choice,
    length,
    points,
    size,
    whole,
    with_range,
)
from tracer.cli.trace_summary import look_first, summary
from tracer.errors import UsageError
from tracer.model.corrections import Corrections
from tracer.model.outline import EdgeModel
from tracer.model.report import Severity
from tracer.ranges import COUNTS, shown

__all__ = ["trace"]

MOST_POINTS = int(COUNTS["points typed for one photo, of each kind"].high)

_PHOTO = r"(?:([0-9]{1,6}):)?"
_NUMBER = r"(-?[0-9]{1,15}(?:\.[0-9]{1,15})?)"
_POINT = re.compile(rf"^{_PHOTO}{_NUMBER},{_NUMBER}$")
_LINE = re.compile(rf"^{_PHOTO}{_NUMBER},{_NUMBER},{_NUMBER},{_NUMBER}$")


def trace(
    photos: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PHOTO...",
            help="Photos of one lay, cards in view. None: trace the job's own photos again.",
        ),
    ] = None,
    tools: Annotated[
        Path | None,
        typer.Option(metavar="LIST.csv", help="Tool list: name,x_px,y_px,height_mm."),
    ] = None,
    encoding: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="What the list (without --tools: the job's) is in, where it is no Unicode:"
            " cp1252, cp1250, cp850, ...",
        ),
    ] = None,
    job: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Job folder NAME.job (default: the first photo's name)."),
    ] = None,
    card_size: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[CARD:]LxS",
            help=with_range(
                "Measured long and short side of the printed boards, e.g. 168.0x112.0; of card 3"
                " alone 3:168.2x112.1. May be given several times.",
                "--card-size",
            ),
        ),
    ] = None,
    card_thickness: Annotated[
        Any,
        typer.Option(
            parser=length("--card-thickness"),
            metavar="LENGTH",
            help=with_range(
                "How far the cards' printed faces lie above the sheet, where they are stuck on"
                " board or foam.",
                "--card-thickness",
            ),
        ),
    ] = None,
    mat: Annotated[
        Any,
        typer.Option(
            parser=size("--mat"),
            metavar="WxH",
            help=with_range("The cards are those of a printed mat.", "--mat"),
        ),
    ] = None,
    camera_height: Annotated[
        Any,
        typer.Option(
            parser=length("--camera-height"),
            metavar="LENGTH",
            help=with_range("Measured height of the lens above the sheet.", "--camera-height"),
        ),
    ] = None,
    height: Annotated[
        Any,
        typer.Option(
            parser=length("--height"),
            metavar="LENGTH",
            help=with_range("Height of tools that the list gives none for.", "--height"),
        ),
    ] = None,
    edge: Annotated[
        str | None,
        typer.Option(
            metavar="MODEL",
            help="Edge of tools that the list gives none for:"
            " mid, thin, upright, round or learned.",
        ),
    ] = None,
    silhouettes: Annotated[
        str | None,
        typer.Option(
            metavar="WAY",
            help="How tool is told from ground: auto, classical, learned (default: auto).",
        ),
    ] = None,
    cables: Annotated[
        bool | None,
        typer.Option(
            "--cables/--no-cables", help="Report loose cables as outlines too (default: no)."
        ),
    ] = None,
    keep: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[PHOTO:]X,Y",
            help=with_range("Point on a tool that must be kept.", "--keep"),
        ),
    ] = None,
    drop: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[PHOTO:]X,Y",
            help=with_range("Point on something that is no tool.", "--drop"),
        ),
    ] = None,
    split: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[PHOTO:]X,Y,X,Y",
            help=with_range("Line along which touching tools part.", "--split"),
        ),
    ] = None,
    scan: Annotated[
        bool,
        typer.Option(
            "--scan",
            help="PHOTO is a flatbed scan of flat parts, one card or more face down beside them.",
        ),
    ] = False,
    more: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PHOTO",
            help="One more photo of a lay that the job has, cards and tools unmoved."
            " May be given several times.",
        ),
    ] = None,
    lay: Annotated[
        Any,
        typer.Option(
            parser=whole("--lay"),
            metavar="N",
            help=with_range("The lay that --more shows, where the job has several.", "--lay"),
        ),
    ] = None,
    add: Annotated[
        bool, typer.Option("--add", help="Add these photos to the job as a further lay.")
    ] = False,
    replace: Replace = False,
    dxf_version: Annotated[
        str, typer.Option(metavar="VERSION", help="R2000, or R12 for old readers.")
    ] = "R2000",
    inch: Annotated[bool, typer.Option("--inch", help="Show lengths in inches.")] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Photos to outlines in mm: job folder, overlay picture, tool list, DXF and SVG.

    A job remembers how it was traced: in a later run only what is typed anew changes. PHOTO: counts
    the photos as they were given, 1 first; without photos, through all of the job's; with --more,
    through all of the lay's, the new ones last.
    """
    # heavy imports wait until the arguments are known to make sense
    console = Console(as_json=as_json, quiet=quiet)
    paths = _expanded([*(photos or []), *(more or [])])
    _refuse_mixed(photos, more, job, lay, add=add, replace=replace)
    if not paths and job is None:
        raise UsageError(
            "usage",
            "No photo is named.",
            "Write tracer trace PHOTO..., or tracer trace --job NAME to trace a job again.",
        )
    if scan:
        _refuse_with_scan(
            paths,
            {
                "--more": more,
                "--camera-height": camera_height,
                "--height": height,
                "--edge": edge,
                "--mat": mat,
                "--card-thickness": card_thickness,
            },
        )
    counted = 0 if more else len(paths)
    corrections = _corrections(keep or [], drop or [], split or [], counted)
    edge_model = choice(edge, _EDGES, "--edge")
    sizes, own_sizes = card_sizes(card_size or [])

    from tracer.calibration import CardSizes
    from tracer.export.dxf.write import DxfOptions, DxfVersion
    from tracer.model.lay_settings import LaySettings, Separation
    from tracer.project.store import JobFolder, job_path
    from tracer.project.text_encoding import known_encoding
    from tracer.project.tool_list import parse_tool_list
    from tracer.workflows.job.trace_job import Mode, read_list, read_photos
    from tracer.workflows.job.trace_photos import trace_photos

    separation = choice(silhouettes, {s.value: s for s in Separation}, "--silhouettes")
    version = choice(dxf_version.upper(), {v.value: v for v in DxfVersion}, "--dxf-version")
    assert version is not None
    settings = LaySettings(
        card_sizes=CardSizes(sizes, own_sizes, card_thickness),
        mat_mm=mat,
        camera_height_mm=camera_height,
        default_height_mm=height,
        edge=edge_model,
        keep_cables=cables,
        separation=separation,
        scan=scan or None,
    )
    files = read_photos(paths, console)
    spoken = known_encoding(encoding) if encoding else None
    tool_list = parse_tool_list(read_list(tools), tools.name, spoken) if tools else None
    done = trace_photos(
        JobFolder(job_path(job if job is not None else paths[0].stem)),
        files,
        settings=settings,
        corrections=corrections,
        tools=tool_list,
        tools_name=tools.name if tools else "tools.csv",
        encoding=None if tools else spoken,
        mode=Mode(add=add, replace=replace, more=bool(more), lay=lay),
        dxf=DxfOptions(version=version),
        progress=console,
    )
    console.finish()
    console.checks(done.checks)
    failed = [c for c in done.checks if c.severity is Severity.FAIL]
    record = {
        "job": str(done.job.path),
        "outlines": len(done.outlines),
        "tools": [
            {
                "id": o.outline_id,
                "name": o.name,
                "height_mm": round(o.height_mm, 2),
                "height_source": o.height_source.value,
                "sigma_mm": round(o.sigma_mm, 3),
                "confidence": round(o.confidence, 3),
            }
            for o in done.outlines
        ],
        "checks": [check_record(c) for c in done.checks],
        "files": list(done.files),
        "steps": {name: round(s, 4) for name, s in done.seconds.items()},
    }
    first = look_first(done.checks, done.job.path)
    console.result(record, first + summary(done.job.path, done.outlines, inch=inch))
    if failed:
        raise typer.Exit(EXIT_CHECK_FAILED)


_EDGES = {
    m.value: m
    for m in (EdgeModel.MID, EdgeModel.THIN, EdgeModel.UPRIGHT, EdgeModel.ROUND, EdgeModel.LEARNED)
}


def _refuse_mixed(
    photos: Sequence[str] | None,
    more: Sequence[str] | None,
    job: str | None,
    lay: int | None,
    *,
    add: bool,
    replace: bool,
) -> None:
    """Further photos of a lay go by themselves, and into a named job."""
    if more and (photos or add or replace or job is None):
        raise UsageError(
            "usage",
            "--more takes photos of a lay that a job has, and nothing else at the same time.",
            "Write tracer trace --job NAME --more PHOTO.",
        )
    if lay is not None and not more:
        raise UsageError("usage", "--lay goes with --more.", "Write --more PHOTO --lay NUMBER.")


def _refuse_with_scan(paths: Sequence[Path], typed: Mapping[str, object]) -> None:
    """A scan goes by itself, and knows nothing of cameras."""
    from tracer.films import is_film

    options = [option for option, value in typed.items() if value is not None]
    if options:
        raise UsageError(
            "usage",
            f"--scan does not go with {options[0]}.",
            "A scan is one picture, and has no camera; heights of parts stand in the tool list.",
        )
    if len(paths) != 1 or is_film(paths[0]):
        what = "a film was" if any(is_film(p) for p in paths) else f"{len(paths)} pictures were"
        raise UsageError(
            "scan-alone",
            f"--scan takes one scan; {what} given." if paths else "--scan takes one scan.",
            "Write tracer trace SCAN --scan, and each further one with --add; a job remembers that "
            "it was scanned.",
        )


def _expanded(names: Sequence[str]) -> list[Path]:
    """Paths, with patterns expanded where the shell does not do it."""
    paths = []
    for name in names:
        if os.name == "nt" and any(c in name for c in "*?[") and not Path(name).exists():
            paths += [Path(found) for found in sorted(glob.glob(name))] or [Path(name)]  # noqa: PTH207
        else:
            paths.append(Path(name))
    return paths


def _corrections(
    keep: Sequence[str], drop: Sequence[str], split: Sequence[str], photos: int
) -> list[Corrections]:
    """Typed corrections, one value per photo up to the last one named."""
    kept: dict[int, list[Any]] = {}
    dropped: dict[int, list[Any]] = {}
    parted: dict[int, list[Any]] = {}
    for option, texts, pattern, target in (
        ("--keep", keep, _POINT, kept),
        ("--drop", drop, _POINT, dropped),
        ("--split", split, _LINE, parted),
    ):
        if len(texts) > MOST_POINTS:
            raise UsageError(
                "point-unreadable",
                f"{option} was given {len(texts)} times; at most {MOST_POINTS} are taken.",
            )
        for text in texts:
            found = pattern.match(text.replace(" ", ""))
            if found is None:
                raise UsageError(
                    "point-unreadable",
                    f"{shown(text)} is not a {'line' if pattern is _LINE else 'point'} in pixels.",
                    "Write X,Y (or X,Y,X,Y for a line), with 2: before it for the second photo.",
                )
            photo = int(found[1] or 1)
            if photo < 1 or (photos and photo > photos):
                raise UsageError(
                    "point-unreadable", f"{shown(text)} names photo {photo} of {photos}."
                )
            pairs = points(option, [float(v) for v in found.groups()[1:]])
            target.setdefault(photo - 1, []).append(tuple(pairs) if len(pairs) > 1 else pairs[0])
    last = max((*kept, *dropped, *parted), default=-1)
    return [
        Corrections(
            keep=tuple(kept.get(i, ())),
            drop=tuple(dropped.get(i, ())),
            split=tuple(parted.get(i, ())),
        )
        for i in range(last + 1)
    ]
