"""A person saves a file of the job while a command works on it: nothing of theirs is lost."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.photos import put_job
from tracer.cli.app import run
from tracer.export.machine.profiles import machine_toml, read_machine
from tracer.project.edits_file import Change, Edit
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.arranging import arrange
from tracer.workflows.editing import job_edits
from tracer.workflows.job import retrace, trace_job

TYPED = b"name,x_px,y_px,height_mm\r\nsaved in between,400,300,6\r\n"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return JobFolder(put_job(tmp_path))


def meanwhile(
    monkeypatch: pytest.MonkeyPatch, module: Any, name: str, act: Callable[[], object]
) -> None:
    """Do something once, just before a step of the work."""
    real, done = getattr(module, name), []

    def wrapped(*args: Any, **kwargs: Any) -> Any:
        if not done:
            done.append(act())
        return real(*args, **kwargs)

    monkeypatch.setattr(module, name, wrapped)


def test_a_list_saved_while_trace_runs(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = job.path / "tools.csv"
    typed = path.read_bytes().replace(b"T01", b"socket")
    path.write_bytes(typed.replace(b"socket", b"old name"))
    meanwhile(monkeypatch, trace_job, "run_lays", lambda: path.write_bytes(TYPED))
    assert run(["trace", "--job", "bench", "--height", "4"]) == 0
    assert path.read_bytes() == TYPED
    told = capsys.readouterr().err
    assert "went by what was there before" in told
    assert "[file-left-alone]" in told
    assert not (job.path / "tools-by-tracer.csv").exists()  # the run changes nothing in this list


def test_a_new_list_is_not_written_over_one_that_appeared(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = job.path / "tools.csv"
    path.unlink()
    meanwhile(monkeypatch, trace_job, "run_lays", lambda: path.write_bytes(TYPED))
    assert run(["trace", "--job", "bench", "--quiet"]) == 0
    assert path.read_bytes() == TYPED
    assert b"T01" in (job.path / "tools-by-tracer.csv").read_bytes()


def test_the_page_runs_again_for_a_list_saved_while_it_ran(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = job.path / "tools.csv"
    text = path.read_bytes()
    path.write_bytes(text.replace(b"T01", b"first"))
    saved = text.replace(b"T01", b"second")
    meanwhile(monkeypatch, retrace, "run_lays", lambda: path.write_bytes(saved))
    assert retrace.retrace(job) is False
    assert path.read_bytes() == saved


def test_a_plan_saved_while_arrange_runs(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = job.path / "panel.toml"
    assert run(["arrange", "bench", "--bay", "600x400", "--quiet"]) in (0, 3)
    typed = path.read_bytes() + b"# ask Sam about the lid\n"
    meanwhile(monkeypatch, arrange, "arrange_tools", lambda: path.write_bytes(typed))
    capsys.readouterr()
    assert run(["arrange", "bench", "--bay", "620x420"]) in (0, 3)
    assert path.read_bytes() == typed
    assert "[file-left-alone]" in capsys.readouterr().err
    assert b"620" in (job.path / "panel-by-tracer.toml").read_bytes()


def test_a_plan_that_says_the_same_is_not_written_anew(job: JobFolder) -> None:
    path = job.path / "panel.toml"
    typed = b"# our own notes\n[bay]\nkind = 'drawer'\nwidth_mm = 600\nheight_mm = 400.0\n"
    path.write_bytes(typed)
    assert run(["arrange", "bench", "--quiet"]) in (0, 3)
    assert path.read_bytes() == typed


def test_a_plan_with_notes_is_kept_when_it_is_written_anew(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    path = job.path / "panel.toml"
    typed = b"# our own notes\n[bay]\nkind = 'drawer'\nwidth_mm = 600\nheight_mm = 400.0\n"
    path.write_bytes(typed)
    assert run(["arrange", "bench", "--fit", "snug"]) in (0, 3)
    assert "[plan-written-anew]" in capsys.readouterr().err
    assert (job.path / "history/former/0001-panel.toml").read_bytes() == typed


def test_an_edit_of_the_page_meets_a_list_being_saved(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = job.path / "tools.csv"
    meanwhile(monkeypatch, job_edits, "format_tool_list", lambda: path.write_bytes(TYPED))
    (first, _) = parse_tool_list(path.read_bytes(), "tools.csv").rows
    edit = Edit("name", "", (Change(("row", "T01", "name"), first.name, "cone spanner"),))
    with pytest.raises(Exception, match="another program") as caught:
        job_edits.make_edit(job, edit)
    assert getattr(caught.value, "slug", "") == "file-saved-meanwhile"
    assert path.read_bytes() == TYPED
    assert not job.has("history/edits.json")


def test_a_profile_in_the_job_is_kept_when_it_is_written_anew(job: JobFolder) -> None:
    profile = job.path / "own.toml"
    typed = b"# sharpened in May\n" + machine_toml(read_machine("drag-knife")).encode()
    profile.write_bytes(typed)
    command = ["coupon", "--machine", str(profile), "--hole", "4", "--save", str(profile)]
    assert run([*command, "--replace", "--quiet"]) == 0
    assert profile.read_bytes() != typed
    assert (job.path / "history/former/0001-own.toml").read_bytes() == typed
