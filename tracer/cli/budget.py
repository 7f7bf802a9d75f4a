"""``tracer budget``: what a tool's stated deviation is made of."""

from __future__ import annotations

from typing import Annotated

import typer

from tracer.cli.console import Console
from tracer.cli.options import Json, Quiet

__all__ = ["budget"]


def budget(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    tools: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TOOL]...", help="Ids or names; without one all tools."),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Uncertainty budget of each tool: its parts in mm, and what would lower the largest.

    The parts are independent standard deviations of the edge along its normal; their variances
    add (JCGM 100). The print's size, which moves all outlines of a lay alike, is one of them.
    """
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.budget import COVERAGE, budget_of_job

    found = budget_of_job(JobFolder(job_path(job)), tools or ())
    lines = []
    for one in found:
        called = one.outline_id if one.name == one.outline_id else f"{one.outline_id} {one.name}"
        lines.append(
            f"{called}: {one.height_mm:.1f} mm high ({one.height_source.value}), "
            f"{one.photos} photo{'s' * (one.photos != 1)}"
        )
        lines += [
            f"  {part.words:<28} {part.sigma_mm:6.3f} mm  {100 * part.share:3.0f} %"
            for part in one.lines
        ]
        lines.append(
            f"  {'together':<28} {one.combined_mm:6.3f} mm; {COVERAGE:g} times that: "
            f"{one.expanded_mm:.2f} mm (about 95 %)"
        )
        if one.bias_bound_mm > 0:
            lines.append(f"  and up to {one.bias_bound_mm:.2f} mm wider where the edge is hidden")
        lines.append(f"  lowers it most: {one.lines[0].remedy}")
    record = {
        "job": job,
        "coverage": COVERAGE,
        "tools": [
            {
                "id": one.outline_id,
                "name": one.name,
                "height_mm": round(one.height_mm, 2),
                "height_source": one.height_source.value,
                "photos": one.photos,
                "parts": [
                    {
                        "cause": part.cause,
                        "sigma_mm": round(part.sigma_mm, 4),
                        "share": round(part.share, 4),
                        "remedy": part.remedy,
                    }
                    for part in one.lines
                ],
                "combined_mm": round(one.combined_mm, 4),
                "expanded_mm": round(one.expanded_mm, 4),
                "bias_bound_mm": round(one.bias_bound_mm, 4),
            }
            for one in found
        ],
    }
    console.result(record, "\n".join(lines))
