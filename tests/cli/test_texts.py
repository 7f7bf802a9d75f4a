"""Free texts that are typed: one line of letters, of a stated length; else nothing changes."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.desk.bench import seed_job
from tracer.cli.app import run
from tracer.cli.options import text
from tracer.errors import TracerError
from tracer.export.machine.profiles import machine_toml, read_machine
from tracer.project.outlines_file import load_outlines
from tracer.ranges import LONGEST_TEXT
from tracer.workflows.arranging.shelf import draw_into_job

STRAY = "\udcff\udcfe"  # as Python hands on bytes that are no letters (PEP 383)


def test_one_line_of_letters() -> None:
    assert text("--name")("  Büchse\n\x1b[31m 3/8 ") == "Büchse [31m 3/8"
    assert text("--name")("") == ""
    assert text("--name")("a" * LONGEST_TEXT) == "a" * LONGEST_TEXT


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="its file names are always text")
def test_files_whose_names_are_no_text(tmp_path: Path) -> None:
    job = seed_job(tmp_path / "bench.job")
    drawing = tmp_path / f"wedge{STRAY}.svg"
    drawing.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="20mm" viewBox="0 0 60 20">'
        '<rect width="60" height="20"/></svg>'
    )
    (drawn,) = draw_into_job(job, drawing, height_mm=12.0)
    guests = load_outlines(job.read("guests.json"), "guests.json").outlines
    assert [o.name for o in guests if o.outline_id == drawn] == ["wedge??"]
    profile = tmp_path / f"own{STRAY}.toml"
    profile.write_text(machine_toml(read_machine("router")))
    with pytest.raises(TracerError, match="bytes that are no letters") as caught:
        read_machine(str(profile))
    assert caught.value.slug == "machine-profile-wrong"


@pytest.mark.parametrize(
    "arguments",
    [
        ["swap", "bench", "T02", "--remove", "--reason", STRAY],
        ["swap", "bench", "T02", "--remove", "--reason", "a" * (LONGEST_TEXT + 1)],
        ["swap", "bench", "T02", "no photo.jpg", "--name", STRAY],
        ["shelf", "draw", "bench", "wedge.svg", "--height", "12", "--name", STRAY],
    ],
)
def test_what_is_no_text_is_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
) -> None:
    job = seed_job(tmp_path / "bench.job").path
    monkeypatch.chdir(tmp_path)
    before = {p: p.read_bytes() for p in job.rglob("*") if p.is_file()}
    assert run(arguments) == 2
    told = capsys.readouterr().err
    assert "[text-unreadable]" in told and "Traceback" not in told
    assert {p: p.read_bytes() for p in job.rglob("*") if p.is_file()} == before
