"""``tracer known``: how things of known size were measured, over all jobs of a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console
from tracer.cli.options import Json, Quiet

__all__ = ["known"]


def known(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder with job folders, or one job folder.")
    ] = Path(),
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Table of all things of known size: measured, off by how much, and whether stated covers it.

    A coin, a gauge block or a steel ruler laid among the tools, with its size in the column
    known_mm of tools.csv, proves this phone, printer and card. Exit code 3 where more than one in
    ten is off by more than is stated.
    """
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.workflows.known import known_of_jobs, summaries
    from tracer.workflows.tracing.known_things import sizes_text

    found, unread = known_of_jobs(folder)
    for sentence in unread:
        console.say(f"not read: {sentence}")
    lines = [
        f"{'job':<20} {'camera':<6} {'thing':<20} {'high':>5} {'known mm':>15} {'measured mm':>15} "
        f"{'edge off':>8} {'stated':>6}"
    ]
    for one in found:
        thing = one.thing
        lines.append(
            f"{one.job[:20]:<20} {one.camera:<6} {thing.name[:20]:<20} {thing.height_mm:>5.1f} "
            f"{sizes_text(thing.known_mm):>15} {sizes_text(thing.measured_mm):>15} "
            f"{thing.edge_mm:>+8.2f} {thing.sigma_mm:>6.2f}"
            + ("" if thing.covered else "  not covered")
        )
    lines.append("")
    totals = summaries(found)
    lines += [
        f"camera {s.camera}: {s.things} thing{'s' * (s.things != 1)}, edge off by"
        f" {s.mean_mm:+.2f} mm on average, {s.rms_mm:.2f} mm root mean square;"
        f" {s.covered} of {s.things} within what is stated"
        for s in totals
    ]
    record = {
        "things": [
            {
                "job": one.job,
                "lay": one.lay,
                "photos": one.photos,
                "camera": one.camera,
                "id": one.thing.outline_id,
                "name": one.thing.name,
                "height_mm": round(one.thing.height_mm, 2),
                "known_mm": list(one.thing.known_mm),
                "measured_mm": [round(m, 3) for m in one.thing.measured_mm],
                "edge_off_mm": round(one.thing.edge_mm, 3),
                "sigma_mm": round(one.thing.sigma_mm, 3),
                "covered": one.thing.covered,
            }
            for one in found
        ],
        "cameras": [
            {
                "camera": s.camera,
                "things": s.things,
                "mean_mm": round(s.mean_mm, 3),
                "rms_mm": round(s.rms_mm, 3),
                "covered": s.covered,
                "rms_over_sigma": round(s.ratio, 2),
            }
            for s in totals
        ],
        "unread": unread,
    }
    console.result(record, "\n".join(lines))
    if sum(not one.thing.covered for one in found) * 10 > len(found):
        raise typer.Exit(EXIT_CHECK_FAILED)
