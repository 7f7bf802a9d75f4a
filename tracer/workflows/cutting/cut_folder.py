"""The folder of a machine's files: what lies in it, and what becomes of what lay there before.

``cut/MACHINE/`` holds a folder per stock, READ-FIRST.pdf, the record of the cut and ``files.json``,
a list of all files with their digests. A file that a later cut no longer makes goes only while it
is still as it was written; one that a person changed stays. What stands in the way of a new file,
and was changed, is kept in the history, and so are files of the former layout, which had all
machines' files side by side in ``cut/``.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tracer.errors import TracerError
from tracer.export.machine.checks import job_cautions, material_named
from tracer.export.paper.read_first import read_first_pdf
from tracer.loading import parse_json
from tracer.model.bill import FileLine, ReadFirst
from tracer.model.drawing import Operation
from tracer.model.machine import Machine
from tracer.model.report import Check, Severity
from tracer.project.cut_record import BESIDE_CUT, cut_record
from tracer.project.folder_name import is_inside
from tracer.project.store import JobFolder
from tracer.ranges import MOST_BYTES
from tracer.workflows.cutting.cut import CutOptions, CutResult
from tracer.workflows.cutting.sheet_files import failed_checks

__all__ = ["FolderChange", "change_of", "machine_home", "zipped"]

(_FIRST, _LIST), _BEFORE = BESIDE_CUT, "history/cut-before"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the same job gives the same archive


@dataclass(frozen=True, eq=False)
class FolderChange:
    """Files to write and to remove, relative to the job; ``made`` are those of the new cut."""

    made: dict[str, bytes]
    kept: dict[str, bytes]
    remove: tuple[str, ...]
    checks: tuple[Check, ...] = field(default=())
    #: of the files made, those that differ from the cut before
    reissued: tuple[str, ...] = ()


def machine_home(machine: Machine) -> str:
    """Folder of a machine's files in the job."""
    return f"cut/{machine.key}"


def change_of(
    folder: JobFolder, results: Sequence[CutResult], options: CutOptions, *, replacing: bool
) -> FolderChange:
    """What a new cut does to the job's files for its machine.

    Raises
    ------
    TracerError
        ``cut-exists`` where there are other files of these names, or files of the former layout,
        and ``replacing`` is not set.
    """
    home = machine_home(options.machine)
    files = {f"{home}/{n}": data for r in results for n, data in r.files.items()}
    files[f"{home}/{_FIRST}"] = _read_first(folder, results, options)
    listed = {name.removeprefix(f"{home}/"): _digest(data) for name, data in files.items()}
    body = {"format": "tracer-cut-files", "version": 1, "files": dict(sorted(listed.items()))}
    files[f"{home}/{_LIST}"] = (json.dumps(body, indent=1) + "\n").encode()
    former = _former_layout(folder, options.machine)
    _refuse_overwriting(folder, files, former, replacing)
    before = _listed(folder, home)
    keep = {f"{_BEFORE}/{name.removeprefix('cut/')}": folder.read(name) for name in former}
    remove, checks = list(former), []
    for name, digest in before.items():
        if not folder.has(name):
            continue
        changed = _digest(data := folder.read(name)) != digest
        if name in files and changed and files[name] != data:
            keep[f"{_BEFORE}/{name.removeprefix('cut/')}"] = data
            checks.append(_kept(name, f"the one you changed is in {_BEFORE}"))
        elif name not in files and changed:
            checks.append(_kept(name, "it was changed since it was written, and stays"))
        elif name not in files:
            remove.append(name)
    new = tuple(sorted(n for n, data in files.items() if before.get(n) != _digest(data)))
    reissued = tuple(n for n in new if not n.endswith(f"/{_LIST}")) if before else ()
    return FolderChange(files, keep, tuple(sorted(remove)), tuple(checks), reissued)


def zipped(files: Mapping[str, bytes], home: str) -> bytes:
    """The machine's folder as one archive; the same files give the same bytes."""
    out = io.BytesIO()
    root = home.rpartition("/")[0] + "/"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in sorted(files.items()):
            entry = zipfile.ZipInfo(name.removeprefix(root), _EPOCH)
            archive.writestr(entry, data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _listed(folder: JobFolder, home: str) -> dict[str, str]:
    """Files of the cut before, with their digests; a list that cannot be read names none."""
    name = f"{home}/{_LIST}"
    if not folder.has(name):
        return {}
    try:
        body = parse_json(folder.read(name), _unread, MOST_BYTES["file of a job"])
    except TracerError:
        return {}
    found = body.get("files") if isinstance(body, dict) else None
    if not isinstance(found, dict):
        return {}
    return {
        f"{home}/{n}": str(digest)
        for n, digest in found.items()
        if isinstance(n, str) and is_inside(n)
    }


def _unread(why: str) -> TracerError:
    return TracerError("job-incomplete", f"A list of cutting files cannot be read: {why}.", "")


def _former_layout(folder: JobFolder, machine: Machine) -> list[str]:
    """Files of this machine that lie side by side in ``cut/``, by the record beside them."""
    found: list[str] = []
    for path in sorted((folder.path / "cut").glob("*-cut.json")):
        name = f"cut/{path.name}"
        record = cut_record(folder.read(name)) if folder.has(name) else None
        if record is None or record.machine != machine.key:
            continue
        own = [f"cut/{n}" for n in record.files if "/" not in n and is_inside(n)]
        found += [n for n in dict.fromkeys([*own, name]) if folder.has(n)]
    return found


def _refuse_overwriting(
    folder: JobFolder, files: Mapping[str, bytes], former: Sequence[str], replacing: bool
) -> None:
    if replacing:
        return
    changed = [n for n, data in files.items() if folder.has(n) and folder.read(n) != data]
    if changed or former:
        raise TracerError(
            "cut-exists",
            f"The job {folder.name} holds other cutting files for this machine"
            f" ({(changed or former)[0]}).",
            "Ask to write over them, or keep them by copying the folder cut.",
        )


def _kept(name: str, why: str) -> Check:
    return Check(
        "cut-file-kept",
        Severity.NOTE,
        f"{name}: {why}.",
        "Delete it yourself if nobody needs it.",
        subject_id=name,
    )


def _read_first(folder: JobFolder, results: Sequence[CutResult], options: CutOptions) -> bytes:
    machine = options.machine
    sheets: list[FileLine] = []
    boards: list[FileLine] = []
    for result in results:
        cut = result.cut
        name = next(n for n in result.files if n.endswith(".dxf") and "-reference" not in n)
        board = name.endswith("-saw-and-drill.dxf")
        line = FileLine(
            name,
            cut.title,
            cut.size_mm,
            tuple(x.name for x in cut.layers if x.operation is not Operation.SHEET_EDGE),
            0.0 if board else result.figures.seconds,
        )
        (boards if board else sheets).append(line)
    checks = [c for r in results for c in r.checks]
    page = ReadFirst(
        title=folder.name,
        machine=machine.title,
        kerf=results[0].cut.kerf.sentence(),
        sheets=tuple(sheets),
        boards=tuple(boards),
        notes=machine_notes(machine),
        cautions=tuple(dict.fromkeys(w for r in results for w in r.cautions))
        or (*job_cautions(machine, material_named(options.material)), *options.unproved),
        failed=tuple(dict.fromkeys(c.slug for c in failed_checks(checks, options.accepted))),
    )
    return read_first_pdf(page, paper=options.paper)


def machine_notes(machine: Machine) -> tuple[str, ...]:
    """Feeds and passes of a profile in words; the machine is set by the person at it."""
    notes = [
        f"Times reckon with {machine.feed_mm_min:g} mm/min along the cut and "
        f"{machine.rapid_mm_min:g} mm/min between cuts, no more than {machine.pass_depth_mm:g} mm "
        "deep in a pass. They are notes for the person at the machine; nothing in the files sets "
        "them.",
        "Curves stand in the order of cutting: what lies inside before what is around it, small "
        "before large. Keep that order.",
    ]
    if machine.pause_s:
        notes.append(f"Rest {machine.pause_s:g} s between openings, so that heat leaves the foam.")
    if machine.lift_deg:
        notes.append(
            f"Lift and turn the blade at corners sharper than {machine.lift_deg:g} degrees."
        )
    aids = [
        (machine.lead_mm, "lead"),
        (machine.tabs, "tab"),
        (machine.blade_offset_mm, "corner-loop"),
    ]
    if off := [name for wanted, name in aids if wanted]:
        notes.append(
            f"Layers {', '.join(off)} are off in the DXF files: switch them on only where the "
            "machine's program is to use them. Walls are the same either way."
        )
    if machine.taper_mm_per_10mm:
        notes.append(
            f"Walls run in by {machine.taper_mm_per_10mm:g} mm a side over 10 mm of depth; the fit "
            "holds at the tight face."
        )
    return tuple(notes)
