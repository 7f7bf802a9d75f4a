"""``tracer inspect``: a photo of the panel in use to what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record
from tracer.cli.options import Json, Quiet, choice, text
from tracer.errors import UsageError

__all__ = ["inspect"]


def inspect(
    job: Annotated[
        str | None,
        typer.Argument(metavar="[JOB]", help="Job whose panel is in the photos; not with --jobs."),
    ] = None,
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO...", help="Photos of the panel in use, rim in view."),
    ] = None,
    jobs: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Find out which of a folder's panels the photos show."),
    ] = None,
    marks: Annotated[
        bool, typer.Option("--marks", help="Write a page of corner marks to stick on; no photo.")
    ] = False,
    paper: Annotated[str, typer.Option(metavar="SIZE", help="With --marks: a4 or letter.")] = "a4",
    learn: Annotated[
        bool,
        typer.Option("--learn", help="The photo shows the empty panel: learn its floors' colours."),
    ] = False,
    by: Annotated[
        str, typer.Option(parser=text("--by"), metavar="NAME", help="Who looked, for the history.")
    ] = "",
    record: Annotated[
        bool,
        typer.Option("--record/--no-record", help="Keep pictures and a line in inspections.csv."),
    ] = True,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what is missing from a panel: present, missing, wrong or unsure for each pocket.

    Exit code 3: something is missing or wrong.
    """
    console = Console(as_json=as_json, quiet=quiet)
    names = [Path(job)] if job is not None and jobs is not None else []
    given = [*names, *(photos or [])]
    _refuse_mixtures(job, given, jobs, marks, learn)

    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.inspecting import inspect_job as work
    from tracer.workflows.inspecting.read_photos import read_panel_photos

    if marks:
        folder = JobFolder(job_path(str(job)))
        size = choice(paper, {"a4": "a4", "letter": "letter"}, "--paper")
        file = work.write_marks(folder, size)
        body = {"job": str(folder.path), "files": [file]}
        console.result(body, f"Print at 100 % and stick on: {folder.path / file}")
        return
    if learn:
        _learn(console, str(job), given[0])
        return
    folders = work.jobs_in(jobs) if jobs is not None else [JobFolder(job_path(str(job)))]
    for one in folders:
        work.panel_of_job(one)  # before photos are decoded
    console.step("photos")
    read = read_panel_photos(given)
    done = work.inspect_jobs(folders, read, when=work.now(), by=by, record=record, progress=console)
    console.finish()
    console.checks(done.checks)
    console.result(_record(done), _table(done, {f.name: f.path for f in folders}))
    if done.missing:
        raise typer.Exit(EXIT_CHECK_FAILED)


def _learn(console: Console, job: str, path: Path) -> None:
    """The photo of the empty panel."""
    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.inspecting.inspect_job import panel_of_job
    from tracer.workflows.inspecting.learn import learn_empty
    from tracer.workflows.inspecting.read_photos import read_panel_photos

    folder = JobFolder(job_path(job))
    panel_of_job(folder)
    console.step("photo")
    file, pockets = learn_empty(folder, read_panel_photos([path])[0])
    console.finish()
    record = {"job": str(folder.path), "files": [file], "pockets": pockets}
    console.result(record, f"Learned from {pockets} empty pockets: {folder.path / file}")


def _refuse_mixtures(
    job: str | None, photos: list[Path], jobs: Path | None, marks: bool, learn: bool
) -> None:
    if learn and (marks or job is None or jobs is not None or len(photos) != 1):
        raise UsageError(
            "usage",
            "--learn takes one job and one photo of its empty panel.",
            "Write tracer inspect JOB PHOTO --learn.",
        )
    if marks and (job is None or photos or jobs is not None):
        raise UsageError(
            "usage", "--marks takes one job and no photo.", "Write tracer inspect JOB --marks."
        )
    if marks:
        return
    if job is None and jobs is None:
        raise UsageError("usage", "No job is named.", "Write tracer inspect JOB PHOTO...")
    if not photos:
        raise UsageError("usage", "No photo is named.", "Write tracer inspect JOB PHOTO...")


def _record(done: Any) -> dict[str, Any]:
    return {
        "panels": [
            {
                "job": name,
                "title": found.title,
                "pockets": [
                    {
                        "id": f.pocket_id,
                        "number": f.number,
                        "name": f.name,
                        "state": f.state.value,
                        "probability": round(f.probability, 4),
                        "probabilities": {k: round(v, 4) for k, v in f.probabilities.items()},
                        "why": f.why,
                        "photo": f.photo,
                    }
                    for f in found.findings
                ],
                "photos": [
                    {
                        "name": photo,
                        "found_by": s.found.value,
                        "score": round(s.score, 3),
                        "rival": round(s.rival, 3),
                        "rms_mm": round(s.rms_mm, 3),
                        "distance_mm": round(float(s.view.centre_mm[2]), 0),
                        "tilt_deg": round(s.view.tilt_deg, 1),
                    }
                    for photo, s in found.sightings.items()
                ],
                "files": list(done.files.get(name, ())),
            }
            for name, found in done.found.items()
        ],
        "checks": [check_record(c) for c in done.checks],
        "steps": {step: round(s, 3) for step, s in done.seconds.items()},
    }


def _table(done: Any, paths: Mapping[str, Path]) -> str:
    lines: list[str] = []
    for name, found in done.found.items():
        for photo, s in found.sightings.items():
            lines.append(
                f"{name}: {photo}, found by its {s.found.value}, {100 * s.score:.0f} % of the "
                f"walls seen where drawn (by chance {100 * s.rival:.0f} %)"
            )
        width = max(len(f.name) for f in found.findings)
        for f in found.findings:
            sure = f"{f.probability:.3f}" if f.probabilities else "     "
            why = f"  {f.why}" if f.why else ""
            lines.append(f"{f.number:>4}  {f.name:<{width}}  {f.state.value:<8} {sure}{why}")
        counts: dict[str, int] = {}
        for f in found.findings:
            counts[f.state.value] = counts.get(f.state.value, 0) + 1
        lines.append(f"{name}: " + ", ".join(f"{n} {state}" for state, n in counts.items()))
        pictures = [f for f in done.files.get(name, ()) if f.endswith(".jpg")]
        lines += [f"picture: {paths[name] / p}" for p in pictures]
    return "\n".join(lines)
