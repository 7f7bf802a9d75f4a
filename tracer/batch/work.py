"""One lay from its order to its job folder: a pure function of its inputs and the version.

The result's row is kept beside the job folders, in ``.batch/NAME.json``, and written last: a lay
whose row is there is whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import posixpath
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tracer import __version__
from tracer.batch.order import LayOrder, LayRow, State, row_from_record, row_record
from tracer.batch.places import (
    beside,
    is_remote,
    local_path,
    read_bytes,
    store_of,
    write_bytes,
)
from tracer.calibration import CardSizes
from tracer.errors import TracerError, UsageError
from tracer.export.machine.profiles import machine_names, parse_machine, read_machine
from tracer.lengths import parse_length_mm, parse_size_mm
from tracer.loading import parse_json
from tracer.model.lay_settings import LaySettings
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.project.schema import load_job
from tracer.project.store import JobFolder, job_path
from tracer.project.text_encoding import known_encoding
from tracer.project.tool_list import parse_tool_list
from tracer.ranges import checked_option
from tracer.segmentation.decide.answers import MODELS
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_job import cut_job
from tracer.workflows.job.trace_job import JobTrace, Mode, PhotoFile, trace_job

__all__ = ["do_lay", "keep_row", "kept_row", "row_place"]

RECORDS = ".batch"
_RECORD_BYTES = 1_000_000
FORMAT, VERSION = "tracer-batch-lay", 1

Tell = Callable[[str], None]


@dataclass(frozen=True)
class _Inputs:
    """Everything that a lay is made from, as bytes."""

    photos: tuple[PhotoFile, ...]
    tools: bytes | None
    plan: bytes | None
    machine: bytes | None

    def digest(self, order: LayOrder) -> str:
        """Digest of the inputs, of what is asked and of the program."""
        settings = (
            order.encoding,
            order.card_size,
            order.height,
            order.camera_height,
            order.machine,
            order.material,
            order.thickness,
        )
        parts = [
            repr((__version__, MODELS, settings)).encode(),
            *(f"{photo.name}:{photo.photo_id}".encode() for photo in self.photos),
            *(data if data is not None else b"-" for data in (self.tools, self.plan, self.machine)),
        ]
        whole = hashlib.sha256()
        for part in parts:
            whole.update(hashlib.sha256(part).digest())
        return whole.hexdigest()[:32]


class _Steps:
    """Progress of the stages, passed on as words."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell

    def step(self, name: str) -> None:
        self._tell(name)

    def fraction(self, done: float) -> None:
        """Steps alone are told."""


def row_place(out: str, name: str) -> str:
    """Address of the kept row of a lay."""
    return beside(out, f"{RECORDS}/{name}.json")


def kept_row(out: str, name: str) -> LayRow | None:
    """The row that an earlier run left; None where there is none that can be read."""
    try:
        place = row_place(out, name)
        record = parse_json(
            read_bytes(place), lambda why: TracerError("input-unreadable", why), _RECORD_BYTES
        )
        if record.get("format") != FORMAT or record.get("version") != VERSION:
            return None
        return row_from_record(record["row"])
    except (TracerError, ValueError, AttributeError, KeyError):
        return None  # missing or damaged: the lay is done again


def keep_row(out: str, row: LayRow) -> None:
    """Leave the row for later runs.

    Raises
    ------
    TracerError
        ``file-unwritable``.
    """
    record = {"format": FORMAT, "version": VERSION, "row": row_record(row)}
    write_bytes(row_place(out, row.name), (json.dumps(record, indent=1) + "\n").encode())


def do_lay(order: LayOrder, out: str, tell: Tell) -> LayRow:
    """Do one lay, unless its result is there already from the same inputs.

    Parameters
    ----------
    out
        Address of the folder for all results.
    tell
        Receives the name of each step.

    Returns
    -------
    LayRow
        Also of a lay that failed for a reason its maker can mend.
    """
    began = time.perf_counter()
    _forget_peak()
    try:
        tell("reading")
        inputs = _read(order)
        digest = inputs.digest(order)
        before = kept_row(out, order.name)
        known = before is not None and before.digest == digest and before.state is State.DONE
        if known and before is not None and _job_is_there(out, order.name):
            return replace(before, state=State.KEPT)
        row = _made(order, inputs, out, tell)
        row = replace(row, digest=digest)
    except TracerError as error:
        row = LayRow(name=order.name, state=State.FAILED, sentence=str(error), slug=error.slug)
    row = replace(row, seconds=round(time.perf_counter() - began, 2), memory_mb=_peak_mb())
    keep_row(out, row)
    return row


def _read(order: LayOrder) -> _Inputs:
    machine = order.machine
    own_machine = machine is not None and machine not in machine_names()
    return _Inputs(
        photos=tuple(
            PhotoFile(posixpath.basename(a.replace("\\", "/")), read_bytes(a)) for a in order.photos
        ),
        tools=read_bytes(order.tools) if order.tools else None,
        plan=read_bytes(order.plan) if order.plan else None,
        machine=_profile(machine) if own_machine and machine else None,
    )


def _profile(machine: str) -> bytes:
    if not machine.lower().endswith(".toml"):
        read_machine(machine)  # says which profiles there are
    return read_bytes(machine)


def _made(order: LayOrder, inputs: _Inputs, out: str, tell: Tell) -> LayRow:
    if not is_remote(out):
        folder = JobFolder(job_path(str(local_path(out) / order.name)))
        return _run(order, inputs, folder, tell)
    with tempfile.TemporaryDirectory(prefix="tracer-") as scratch:
        folder = JobFolder(job_path(str(Path(scratch) / order.name)))
        system, path = store_of(out)
        target = posixpath.join(path, folder.path.name)
        if system.exists(target):  # what a person corrected there is an input of the stages
            system.get(target, str(folder.path), recursive=True)
        row = _run(order, inputs, folder, tell)
        tell("storing")
        _store(folder.path, system, target)
        return row


def _store(folder: Path, system: Any, target: str) -> None:
    try:
        for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.name != ".lock"):
            place = posixpath.join(target, path.relative_to(folder).as_posix())
            system.makedirs(posixpath.dirname(place), exist_ok=True)
            system.pipe_file(place, path.read_bytes())
    except OSError as error:
        raise TracerError(
            "file-unwritable",
            f"{target} cannot be written: {error.strerror or error}.",
            "Check the rights on the store, free space and the connection.",
        ) from error


def _run(order: LayOrder, inputs: _Inputs, folder: JobFolder, tell: Tell) -> LayRow:
    """Trace, arrange and cut as asked."""
    steps = _Steps(tell)
    checks: list[Check] = []
    files: set[str] = set()
    machine = _machine(order, inputs)
    tools_name = posixpath.basename(order.tools or "tools.csv")
    tools = inputs.tools
    encoding = _typed(known_encoding, "encoding", order.encoding)
    done = trace_job(
        folder,
        inputs.photos,
        settings=_settings(order),
        tools=parse_tool_list(tools, tools_name, encoding) if tools is not None else None,
        tools_name=tools_name,
        mode=Mode(replace=_shows_others(folder, inputs.photos)),
        progress=steps,
    )
    checks += done.checks
    files |= set(done.files)
    pictures = [name for name in done.files if name.startswith("pictures/")]
    if inputs.plan is not None:
        plan_file = (posixpath.basename(order.plan or ""), inputs.plan)
        panel = arrange_job(folder, plan_file=plan_file, progress=steps)
        checks += panel.checks
        files |= set(panel.files)
        pictures += [name for name in panel.files if name == "pictures/panel.png"]
    if machine is not None:
        cut = cut_job(folder, _cut_options(order, machine), replacing=True, progress=steps)
        checks += cut.checks
        files |= set(cut.files)
    return _row(order, done, checks, files, pictures)


def _row(
    order: LayOrder,
    done: JobTrace,
    checks: list[Check],
    files: set[str],
    pictures: list[str],
) -> LayRow:
    failed = [c for c in checks if c.severity is Severity.FAIL]
    told = [c for c in checks if c.severity is not Severity.NOTE]
    first = failed[0] if failed else None
    return LayRow(
        name=order.name,
        state=State.DONE,
        tools=len(done.outlines),
        findings=len(told),
        failed_checks=len(failed),
        worst_sigma_mm=_worst_sigma(done.outlines),
        files=len(files),
        sentence=first.sentence if first else "",
        slug=first.slug if first else "",
        pictures=tuple(sorted(pictures)),
    )


def _worst_sigma(outlines: tuple[Outline, ...]) -> float | None:
    return round(max(o.sigma_mm for o in outlines), 3) if outlines else None


def _shows_others(folder: JobFolder, photos: tuple[PhotoFile, ...]) -> bool:
    """True where the job there was made from other photos, so that it is begun anew."""
    if not folder.has("job.json"):
        return False
    record = load_job(folder.read("job.json"), "job.json")
    ids = [[p.photo_id for p in lay.photos] for lay in record.lays]
    return ids != [[p.photo_id for p in photos]]


def _settings(order: LayOrder) -> LaySettings:
    size = _typed(_card_size, "card_size", order.card_size)
    return LaySettings(
        card_sizes=CardSizes((max(size), min(size)) if size else None),
        camera_height_mm=_length("camera_height", order.camera_height),
        default_height_mm=_length("height", order.height),
    )


def _card_size(text: str) -> tuple[float, float]:
    width, height = (checked_option("--card-size", side) for side in parse_size_mm(text))
    return width, height


def _length(key: str, text: str | None) -> float | None:
    """A length within the range of the option of the same name."""
    option = f"--{key.replace('_', '-')}"
    value: float | None = _typed(lambda t: checked_option(option, parse_length_mm(t)), key, text)
    return value


def _typed(parse: Callable[[str], Any], key: str, text: str | None) -> Any:
    if text is None:
        return None
    try:
        return parse(text)
    except TracerError as error:
        raise UsageError("lay-refused", f"{key}: {error.sentence}", error.remedy) from None


def _machine(order: LayOrder, inputs: _Inputs) -> Machine | None:
    if order.machine is None:
        return None
    if inputs.machine is None:
        return read_machine(order.machine)
    name = posixpath.basename(order.machine.replace("\\", "/"))
    try:
        return parse_machine(inputs.machine.decode("utf-8-sig"), name.removesuffix(".toml"))
    except UnicodeDecodeError:
        raise UsageError("lay-refused", f"The machine profile {name} is no text.") from None


def _cut_options(order: LayOrder, machine: Machine) -> CutOptions:
    thickness = _length("thickness", order.thickness)
    options = CutOptions(machine=machine)
    if thickness is not None:
        options = replace(options, thickness_mm=thickness, typed=options.typed | {"--thickness"})
    if order.material is not None:
        options = replace(options, material=order.material, typed=options.typed | {"--material"})
    return options


def _job_is_there(out: str, name: str) -> bool:
    if not is_remote(out):
        return JobFolder(job_path(str(local_path(out) / name))).exists()
    system, path = store_of(out)
    return bool(system.exists(posixpath.join(path, f"{name}.job", "job.json")))


def _forget_peak() -> None:
    """Let the peak of memory begin anew with this lay, where the system can (Linux)."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", "ascii")


def _peak_mb() -> float:
    """Peak resident memory of this process, 1e6 bytes; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:  # Windows
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak * (1 if sys.platform == "darwin" else 1024) / 1e6, 1)
