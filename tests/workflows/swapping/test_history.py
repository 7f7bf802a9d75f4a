"""A revision whose files cannot be read is not put back: the job stays what it was."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.desk.bench import seed_job
from tests.project.test_store import content
from tracer.errors import TracerError
from tracer.export.machine.profiles import read_machine
from tracer.model.lay_settings import LaySettings
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.swapping.swap_job import SwapRun, restore

RUN = SwapRun(settings=LaySettings(), machine=read_machine("router"))


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    folder = seed_job(tmp_path / "bench.job")
    kept = folder.path / "history" / "r1"
    kept.mkdir(parents=True)
    for name in ("job.json", "outlines.json", "tools.csv"):
        (kept / name).write_bytes((folder.path / name).read_bytes())
    return folder


def test_a_sound_revision_comes_back(job: JobFolder) -> None:
    lines = (job.path / "history/r1/tools.csv").read_text("utf-8-sig").splitlines(keepends=True)
    (job.path / "history/r1/tools.csv").write_text("".join(lines[:-1]), "utf-8")
    restore(job, 1, RUN)
    assert len(parse_tool_list(job.read("tools.csv"), "tools.csv").rows) == len(lines) - 2


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("tools.csv", b"name,height_mm\nno points,3\n"),
        ("tools.csv", b"name,x_px,y_px\npump,here,there\n"),
        ("outlines.json", b"{}"),
        ("outlines.json", None),
        ("job.json", b"[1]"),
        ("panel.json", b"null"),
    ],
)
def test_a_damaged_revision_is_refused(job: JobFolder, name: str, data: bytes | None) -> None:
    path = job.path / "history" / "r1" / name
    path.unlink() if data is None else path.write_bytes(data)
    before = content(job.path)
    with pytest.raises(TracerError) as caught:
        restore(job, 1, RUN)
    assert caught.value.slug in ("tool-list-unreadable", "job-damaged", "job-incomplete")
    assert f"history/r1/{name}" in caught.value.sentence
    assert content(job.path) == before
