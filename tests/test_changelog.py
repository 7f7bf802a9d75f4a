"""The changelog goes by release, newest first, and the program says the newest one's number."""

from __future__ import annotations

import datetime
import re
import tomllib
from pathlib import Path

import pytest

import tracer
from tracer.cli.app import run

ROOT = Path(__file__).parent.parent
#: numbers as PEP 440 has them, dates as ISO 8601
RELEASE = re.compile(r"^## (\d+)\.(\d+)\.(\d+) \((\d{4}-\d{2}-\d{2})\)$")


def headings() -> list[str]:
    return re.findall(r"^## .*$", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.M)


def releases() -> list[tuple[tuple[int, ...], datetime.date]]:
    found = []
    for heading in headings():
        if heading == "## Unreleased":
            assert heading == headings()[0]
            continue
        match = RELEASE.match(heading)
        assert match is not None, heading
        date = datetime.date.fromisoformat(match[4])
        found.append((tuple(int(part) for part in match.groups()[:3]), date))
    return found


def test_releases_stand_newest_first_with_their_dates() -> None:
    found = releases()
    assert len(found) > 1
    assert [number for number, _ in found] == sorted({n for n, _ in found}, reverse=True)
    assert [date for _, date in found] == sorted({d for _, d in found}, reverse=True)


def test_the_program_says_the_number_of_the_newest(capsys: pytest.CaptureFixture[str]) -> None:
    newest = ".".join(str(part) for part in releases()[0][0])
    assert tracer.__version__ == newest
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert project["project"]["version"] == newest
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.strip() == f"tracer {newest}"
