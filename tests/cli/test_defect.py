"""The last net: a mistake of the program's own leaves a report and one sentence."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

import pytest

import tracer.__main__ as root
from tests.campaigns.judge import Said, judged
from tests.campaigns.words import programmers_words
from tracer import __version__
from tracer.atomic import WRITTEN
from tracer.cli import app


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The command line with a mistake in it, in a folder of its own."""

    def run(arguments: list[str]) -> int:
        raise KeyError(f"lays of {Path.home()}/bench.job")

    monkeypatch.setattr(app, "run", run)
    monkeypatch.setattr(root, "heed_signals", lambda: None)
    monkeypatch.setattr(root, "ignore_signals", lambda: None)
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    WRITTEN.forget()
    return here


def ended(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr("sys.argv", ["tracer", *arguments])
    with pytest.raises(SystemExit) as left:
        root.main()
    return int(str(left.value.code))


def test_a_mistake_leaves_a_report_and_one_sentence(
    broken: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ended(monkeypatch, "trace", "my photo.jpg") == 70
    words = capsys.readouterr()
    (line,) = words.err.strip().splitlines()
    assert line.endswith("[program-defect]") and words.out == ""
    assert programmers_words(line) is None
    (report,) = broken.iterdir()
    assert report.name in line
    text = report.read_text("utf-8")
    assert __version__ in text
    assert "command: tracer trace 'my photo.jpg'" in text
    assert "Traceback (most recent call last)" in text and "KeyError" in text
    for place in (Path.home(), broken, Path(root.__file__).parents[1]):
        assert f"{place}{os.sep}" not in text


def test_the_report_goes_elsewhere_where_it_cannot_be_written_here(
    broken: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    monkeypatch.setattr(tempfile, "tempdir", str(broken))
    assert ended(monkeypatch, "trace") == 70
    (report,) = broken.iterdir()
    assert str(report) in capsys.readouterr().err

    monkeypatch.setattr(tempfile, "tempdir", str(gone / "file"))
    report.unlink()
    (tmp_path / "gone").write_text("no folder")
    assert ended(monkeypatch, "trace") == 70
    told = capsys.readouterr().err
    assert "stands above" in told and "KeyError" in told


def test_a_mistake_is_told_as_json_with_what_was_written(
    broken: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    WRITTEN.add("the job bench.job")
    assert ended(monkeypatch, "trace", "--json") == 70
    record = json.loads(capsys.readouterr().out)
    assert record["error"]["slug"] == "program-defect"
    assert record["written"] == ["the job bench.job"]
    assert list(broken.iterdir())


def test_the_campaign_counts_a_report_as_a_defect() -> None:
    told = "error: The program met a mistake of its own and stopped. [program-defect]\n"
    faults = judged(Said(["trace"], 70, err=told), {}, {"tracer-report-1-2.txt": "x"})
    assert "traceback" in {fault.kind for fault in faults}
