"""The command line: exit codes, one sentence per mistake, help for every command."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tracer.cli import app
from tracer.cli.app import COMMANDS, run
from tracer.cli.console import Console
from tracer.model.report import Check, Severity


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("tracer ")
    assert run(["--help"]) == 0
    listed = capsys.readouterr().out
    assert all(command in listed for command in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    for option in ("--help", "-h"):
        assert run([command, option]) == 0
        text = capsys.readouterr().out
        assert "Usage: tracer " + command in text
        assert len(text.splitlines()) > 5


@pytest.mark.parametrize(
    ("arguments", "slug"),
    [
        (["trace"], "usage"),
        (["trase", "a.jpg"], "usage"),
        (["trace", "a.jpg", "--no-such-option"], "usage"),
        (["trace", "a.jpg", "--card-size", "168,0x112"], "length-unreadable"),
        (["trace", "a.jpg", "--card-size", "168"], "size-unreadable"),
        (["trace", "a.jpg", "--card-size", "x:168x112"], "size-unreadable"),
        (["trace", "a.jpg", "--height", "tall"], "length-unreadable"),
        (["trace", "a.jpg", "--edge", "square"], "usage"),
        (["trace", "a.jpg", "--silhouettes", "magic"], "usage"),
        (["trace", "a.jpg", "--dxf-version", "R9"], "usage"),
        (["trace", "a.jpg", "--keep", "12"], "point-unreadable"),
        (["trace", "a.jpg", "--drop", "3:1,2"], "point-unreadable"),
        (["trace", "a.jpg", "--split", "1,2,3"], "point-unreadable"),
        (["trace", "--job", "nothing-here"], "job-missing"),
        (["trace", "a.jpg", "--job", "a:b"], "job-name-unusable"),
    ],
)
def test_wrong_usage_is_one_line_and_code_2(
    arguments: list[str],
    slug: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.jpg").write_bytes(b"never looked at")
    assert run(arguments) == 2
    words = capsys.readouterr()
    (line,) = words.err.strip().splitlines()
    assert line.startswith("error: ") and line.endswith(f"[{slug}]")
    assert words.out == ""
    assert not list(tmp_path.glob("*.job"))


def test_errors_as_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["trace", "missing.jpg", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["error"]["slug"] == "photo-missing"


def test_an_unknown_failure_keeps_its_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(app, "build_app", broken)
    with pytest.raises(ZeroDivisionError):
        run(["trace", "a.jpg"])


def test_interrupt_is_130(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(app, "build_app", interrupted)
    assert run(["trace", "a.jpg"]) == 130
    assert "interrupted: nothing was changed" in capsys.readouterr().err


def test_as_a_module_without_a_terminal(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tracer", "trace", "no such photo.jpg"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
    )
    assert done.returncode == 1
    assert "no such photo.jpg" in done.stderr
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr + done.stdout


def test_many_findings_of_a_kind_leave_the_rare_one_in_sight() -> None:
    out = io.StringIO()
    same = [
        Check("height-unknown", Severity.WARN, f"No height of T{k:02d}.", subject_id=f"T{k:02d}")
        for k in range(1, 11)
    ]
    rare = Check("tool-moved", Severity.WARN, "T03 was moved.")
    four = [Check("edge-faint", Severity.NOTE, f"Edge {k}.") for k in range(4)]
    Console(err=out).checks([*same[:5], rare, *same[5:], *four])
    lines = out.getvalue().splitlines()
    assert lines[:4] == [f"note: Edge {k}. [edge-faint]" for k in range(4)]  # one more is no less
    assert lines[4:7] == [f"warning: No height of T{k:02d}. [height-unknown]" for k in (1, 2, 3)]
    assert lines[7] == (
        "warning: 7 more like these, about T04, T05, T06, T07, T08, T09, T10."
        " --json tells each in full. [height-unknown]"
    )
    assert lines[8:] == ["warning: T03 was moved. [tool-moved]"]


def test_a_question_keeps_its_mark(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trac", "a.jpg"]) == 2
    assert "?." not in capsys.readouterr().err
