"""``tracer machines``: the profiles there are, and one of your own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracer.cli.console import Console
from tracer.cli.options import Json, Quiet, Replace

__all__ = ["machines"]


def machines(
    new: Annotated[
        str | None,
        typer.Argument(
            metavar="[NEW]", help="Name of your own profile; alone: list what there is."
        ),
    ] = None,
    like: Annotated[
        str,
        typer.Option("--from", metavar="NAME", help="Profile to begin with, or a .toml file."),
    ] = "oscillating-knife",
    folder: Annotated[
        Path, typer.Option("--to", metavar="FOLDER", help="Where your profile goes.")
    ] = Path(),
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """List the machine profiles, or begin one of your own from another: every key explained."""
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.export.machine.profiles import machine_names, read_machine
    from tracer.workflows.cutting.coupon import own_profile

    if new is None:
        known = [read_machine(name) for name in machine_names()]
        record = [
            {
                "name": m.key,
                "title": m.title,
                "bed_mm": list(m.bed_mm),
                "max_depth_mm": m.max_depth_mm,
                "cuts_depth": m.cuts_depth,
                "heat": m.heat,
                "kerf_mm": m.kerf_mm,
                "kerf": m.kerf.value,
            }
            for m in known
        ]
        lines = [
            f"{m.key:<18} {m.title}: bed {m.bed_mm[0]:g} x {m.bed_mm[1]:g} mm, "
            + (
                f"depths to {m.max_depth_mm:g} mm"
                if m.cuts_depth
                else f"right through up to {m.max_depth_mm:g} mm"
            )
            for m in known
        ]
        lines.append("Begin your own: tracer machines NEW --from router")
        console.result({"machines": record}, "\n".join(lines))
        return
    (path,) = own_profile(folder, new, read_machine(like), replacing=replace)
    console.result(
        {"file": str(path), "from": like},
        f"{path}: change what is otherwise on your machine, then cut its coupon:\n"
        f"  tracer coupon --machine {path}",
    )
