"""``tracer holes``: the pattern of holes in the back of a thing, from a photo with cards."""

from __future__ import annotations

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
    length,
    pixel_box,
    with_range,
)
from tracer.errors import TracerError

__all__ = ["holes"]


def holes(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo with scale cards.")],
    height: Annotated[
        Any,
        typer.Option(
            parser=length("--height"),
            metavar="LENGTH",
            help=with_range("Height of the face with the holes above the sheet.", "--height"),
        ),
    ],
    card_size: BoardSizes = None,
    within: Annotated[
        Any,
        typer.Option(
            parser=pixel_box("--within"),
            metavar="X,Y,X,Y",
            help=with_range("Box of the photo that is looked at, in pixels.", "--within"),
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.dxf", help="Where the pattern goes (default: PHOTO-holes.dxf)."),
    ] = None,
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Round holes in a flat face to a drawing that a mount of the panel's plan can name."""
    from tracer.atomic import create_atomically, is_there, write_atomically
    from tracer.model.card import CardSizes
    from tracer.photos import read_photo
    from tracer.workflows.arranging.hole_pattern import hole_pattern

    console = Console(as_json=as_json, quiet=quiet)
    common, own = card_sizes(card_size or [])
    target = out or Path(f"{photo.stem}-holes.dxf")
    if target.suffix.lower() != ".dxf":
        target = target.with_name(target.name + ".dxf")
    picture = target.with_suffix(".png")
    for path in (target, picture):
        if is_there(path) and not replace:
            raise TracerError(
                "file-exists", f"{path} exists already.", "Choose another name, or use --replace."
            )
    found = hole_pattern(
        read_photo(photo),
        height_mm=height,
        within_px=within,
        card_sizes=CardSizes(common, own),
        progress=console,
    )
    console.finish()
    put = write_atomically if replace else create_atomically
    put(target, found.dxf)
    put(picture, found.picture)
    console.checks(found.checks)
    lines = [
        f"  hole {n}: diameter {h.diameter_mm:.2f} mm at {h.x_mm:.2f}, {h.y_mm:.2f}"
        for n, h in enumerate(found.holes, start=1)
    ]
    record = {
        "holes": [
            {"x_mm": round(h.x_mm, 3), "y_mm": round(h.y_mm, 3), "diameter_mm": h.diameter_mm}
            for h in found.holes
        ],
        "files": [str(target), str(picture)],
    }
    head = f"{len(found.holes)} holes, places from the middle of the pattern; look at {picture}"
    console.result(record, "\n".join([head, *lines, f"  {target}"]))
