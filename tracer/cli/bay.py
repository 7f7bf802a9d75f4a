"""``tracer bay``: the size of a bay, from one photo of it with cards stuck on its back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import Console
from tracer.cli.options import (
    BoardSizes,
    Json,
    Quiet,
    Replace,
    card_sizes,
    choice,
    length,
    pixel_point,
    points,
    with_range,
)
from tracer.errors import TracerError, UsageError
from tracer.lengths import parse_length_mm
from tracer.model.panel import BayKind
from tracer.ranges import LONGEST_TEXT, MOST_BYTES, checked_option, shown

__all__ = ["bay"]

_NUMBER = r"-?[0-9]{1,15}(?:\.[0-9]{1,15})?"
_KEPT = re.compile(rf"^(.+)=({_NUMBER}),({_NUMBER}),({_NUMBER}),({_NUMBER})(?:@(.+))?$")


def bay(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo with scale cards.")],
    corner: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y",
            help=with_range(
                "A corner in the photo. Four times: lower left, lower right, upper right,"
                " upper left.",
                "--corner",
            ),
        ),
    ] = None,
    kind: Annotated[str, typer.Option(metavar="KIND", help="wall or drawer.")] = "wall",
    card_size: BoardSizes = None,
    card_thickness: Annotated[
        Any,
        typer.Option(
            parser=length("--card-thickness"),
            metavar="LENGTH",
            help=with_range("How far the cards' faces stand off the wall.", "--card-thickness"),
        ),
    ] = None,
    out_by: Annotated[
        Any,
        typer.Option(
            parser=length("--out-by"),
            metavar="LENGTH",
            help=with_range(
                "How far the corners stand in front of the plane that the cards are stuck on.",
                "--out-by",
            ),
        ),
    ] = "0",
    keep_out: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=X,Y,X,Y[@OUT]",
            help=with_range(
                "Opposite corners of a socket or box; OUT: how far they stand out of the wall."
                " Several times.",
                "--keep-out",
            ),
        ),
    ] = None,
    pipe: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=X,Y,X,Y[@OUT]",
            help=with_range("Opposite points of a round thing's rim. Several times.", "--pipe"),
        ),
    ] = None,
    clear: Annotated[
        Any,
        typer.Option(
            parser=length("--clear"),
            metavar="LENGTH",
            help=with_range("Kept free round sockets and pipes.", "--clear"),
        ),
    ] = "5",
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.toml", help="Plan to put the bay into; all else in it stays."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.toml", help="Where the plan goes (default: PHOTO-bay.toml)."),
    ] = None,
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """A bay's sides and diagonals from a photo, as a plan that arrange takes.

    Stick cards on the wall or in the drawer, one near each corner, and photograph it from straight
    in front. Corners are read in the upright photo at its full size, x from the left, y from the
    top.
    """
    from tracer.atomic import create_atomically, is_there, write_atomically
    from tracer.loading import read_file
    from tracer.model.card import CardSizes
    from tracer.model.panel_plan import PanelPlan
    from tracer.photos import read_photo
    from tracer.project.plan_file import plan_from_toml, plan_toml
    from tracer.workflows.arranging.bay_photo import CORNERS, LENGTHS, bay_from_photo, with_bay

    console = Console(as_json=as_json, quiet=quiet)
    kinds = choice(kind, {k.value: k for k in BayKind}, "--kind")
    corners = [pixel_point("--corner", text) for text in corner or []]
    marked = [_kept(t, "--keep-out") for t in keep_out or []]
    marked += [_kept(t, "--pipe") for t in pipe or []]
    common, own = card_sizes(card_size or [])
    target = out or Path(f"{photo.stem}-bay.toml")
    if target.suffix.lower() != ".toml":
        target = target.with_name(target.name + ".toml")
    picture = target.with_suffix(".png")
    for path in (target, picture):
        if is_there(path) and not replace:
            raise TracerError(
                "file-exists", f"{path} exists already.", "Choose another name, or use --replace."
            )
    base = PanelPlan()
    if plan is not None:

        def refuse(why: str) -> TracerError:
            return TracerError(
                "panel-plan-missing",
                f"{plan} cannot be read: {why}.",
                "Check the name of the plan.",
            )

        base = plan_from_toml(read_file(plan, MOST_BYTES["panel plan"], refuse), plan.name)
    found = bay_from_photo(
        read_photo(photo),
        corners,
        kind=kinds,
        keep_outs=marked,
        out_mm=out_by,
        clear_mm=clear,
        card_sizes=CardSizes(common, own, card_thickness),
        progress=console,
    )
    console.finish()
    console.checks(found.checks)
    put = write_atomically if replace else create_atomically
    put(target, plan_toml(with_bay(base, found)))
    put(picture, found.picture)
    sizes = found.lengths_mm
    lines = [
        f"  {name:<8} {sizes[name]:8.1f} mm  +/- {2 * found.sigmas_mm[name]:.1f}"
        for name in LENGTHS
    ]
    lines += [
        f"  {name}: {angle:+.2f} deg out of square, +/- {2 * sigma:.2f}"
        for name, angle, sigma in zip(
            CORNERS, found.square_deg, found.square_sigma_deg, strict=True
        )
    ]
    lines += [
        f"  kept free: {k.name} at {k.x_mm:.0f}, {k.y_mm:.0f}, "
        + (f"{k.width_mm:.0f} x {k.height_mm:.0f}" if k.height_mm else f"diameter {k.width_mm:.0f}")
        for k in found.keep_outs
    ]
    record = {
        "lengths_mm": sizes,
        "sigmas_mm": {k: round(v, 3) for k, v in found.sigmas_mm.items()},
        "out_of_square_deg": [round(v, 3) for v in found.square_deg],
        "out_of_square_sigma_deg": [round(v, 3) for v in found.square_sigma_deg],
        "keep_outs": [
            {
                "name": k.name,
                "x_mm": k.x_mm,
                "y_mm": k.y_mm,
                "width_mm": k.width_mm,
                "height_mm": k.height_mm,
            }
            for k in found.keep_outs
        ],
        "files": [str(target), str(picture)],
    }
    head = f"the bay, +/- twice the deviation (about 95 %); look at {picture}"
    tail = f"  tracer arrange JOB --plan {target}"
    console.result(record, "\n".join([head, *lines, tail]))


def _kept(text: str, option: str) -> Any:
    from tracer.workflows.arranging.bay_photo import MarkedKeepOut

    found = _KEPT.match(text)
    if found is None or not found[1].strip() or len(found[1]) > LONGEST_TEXT:
        raise UsageError(
            "point-unreadable",
            f"{shown(text)} is no thing marked in pixels.",
            "Write NAME=X,Y,X,Y; with @20 behind it where it stands 20 mm out of the wall.",
        )
    marks: Sequence[tuple[float, float]] = points(option, [float(found[k]) for k in range(2, 6)])
    out_mm = checked_option("--out-by", parse_length_mm(found[6])) if found[6] else 0.0
    return MarkedKeepOut(found[1].strip(), tuple(marks), option == "--pipe", out_mm)
