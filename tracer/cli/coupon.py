"""``tracer coupon``: a test piece for kerf and fit, and the profile it gives."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import Console
from tracer.cli.options import (
    FoamThickness,
    Json,
    Quiet,
    Replace,
    TestFoam,
    TestMachine,
    whole,
    with_range,
)
from tracer.errors import UsageError
from tracer.lengths import parse_length_mm
from tracer.ranges import shown

__all__ = ["coupon"]


def coupon(
    machine: TestMachine = "oscillating-knife",
    material: TestFoam = "unknown",
    diameter: Annotated[
        Any,
        typer.Option(
            parser=parse_length_mm,
            metavar="LENGTH",
            help=with_range("Diameter of a round thing, measured.", "--diameter"),
        ),
    ] = "20",
    thickness: FoamThickness = "30",
    strips: Annotated[
        Any,
        typer.Option(
            parser=parse_length_mm,
            metavar="LENGTH",
            help=with_range("Reading: length of the ten strips in a row.", "--strips"),
        ),
    ] = None,
    strips_below: Annotated[
        Any,
        typer.Option(
            parser=parse_length_mm,
            metavar="LENGTH",
            help=with_range(
                "Reading: the same row on its lower face (with --thickness).", "--strips-below"
            ),
        ),
    ] = None,
    hole: Annotated[
        Any,
        typer.Option(
            parser=whole("--hole"),
            metavar="N",
            help=with_range("Reading: the hole that holds the thing best.", "--hole"),
        ),
    ] = None,
    felt: Annotated[
        str, typer.Option(metavar="CLASS", help="What that hole feels like: a fit class.")
    ] = "snug",
    save: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Where the profile goes.")
    ] = None,
    folder: Annotated[
        Path, typer.Option("--to", metavar="FOLDER", help="Where the coupon's files go.")
    ] = Path(),
    paper: Annotated[str, typer.Option(metavar="SIZE", help="Paper of the template.")] = "a4",
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """A small test piece: cut it, type back what you read, and get a machine profile."""
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.export.drawing.coupon import stair_table
    from tracer.export.machine.profiles import read_machine
    from tracer.model.panel_plan import FitClass
    from tracer.workflows.cutting.coupon import (
        coupon_files,
        profile_file,
        profile_from_reading,
        write_files,
    )

    profile = read_machine(machine)
    if any(v is not None for v in (strips, strips_below, hole, save)):
        if felt not in {f.value for f in FitClass}:
            raise UsageError(
                "usage", f"--felt cannot be {shown(felt)}.", f"It is one of {', '.join(FitClass)}."
            )
        read = profile_from_reading(
            profile,
            hole=hole,
            strips_mm=strips,
            felt=FitClass(felt),
            strips_below_mm=strips_below,
            thickness_mm=thickness,
        )
        written = profile_file(save or Path(f"{profile.key}-own.toml"), read, replacing=replace)
        text = (
            f"{written[0]}: kerf {read.kerf_mm:.2f} mm, {read.fit_offset_mm:+.2f} mm on every fit, "
            f"walls run in by {read.taper_mm_per_10mm:.3f} mm a side over 10 mm. "
            f"Use it with --machine {written[0]}"
        )
        record: dict[str, Any] = {
            "kerf_mm": read.kerf_mm,
            "fit_offset_mm": read.fit_offset_mm,
            "taper_mm_per_10mm": read.taper_mm_per_10mm,
            "files": [str(p) for p in written],
        }
        console.result(record, text)
        return
    files = coupon_files(profile, material, diameter, thickness, paper)
    written = write_files(folder, files, replacing=replace)
    for sentence in profile.cautions:
        console.say(f"caution: {sentence}")
    lines = [
        *(str(path) for path in written),
        "Cut it from your own foam. Lay the ten strips side by side and measure the whole row;",
        "find the hole that holds the round thing as a tool should be held. Then:",
        f"  tracer coupon --machine {machine} --strips 96.2 --hole 6 --felt snug --save own.toml",
        *stair_table(diameter),
    ]
    console.result({"files": [str(p) for p in written]}, "\n".join(lines))
