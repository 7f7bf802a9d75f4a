"""``tracer cards``. The PDF itself is measured in the tests of calibration and export; here the
command, through pypdfium2 as an independent reader.
"""

from __future__ import annotations

import json
from pathlib import Path

import pypdfium2
import pytest

from tracer.cli.app import run


def pages(path: Path) -> list[tuple[float, float]]:
    """Page sizes in mm."""
    with pypdfium2.PdfDocument(path) as document:
        return [tuple(round(v * 25.4 / 72, 1) for v in page.get_size()) for page in document]


def test_default_is_six_cards_on_three_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["cards"]) == 0
    assert "100 %" in capsys.readouterr().out
    assert pages(tmp_path / "scale-cards.pdf") == [(210.0, 297.0)] * 3  # ISO 216 A4


def test_letter_one_a_page_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "my cards"
    arguments = ["cards", str(target), "--numbers", "3, 7-8", "--paper", "Letter"]
    assert run([*arguments, "--per-page", "1", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["cards"] == [3, 7, 8]
    assert pages(Path(record["file"])) == [(215.9, 279.4)] * 3  # ANSI/ASME Y14.1, from memory


def test_a_mat(tmp_path: Path) -> None:
    assert run(["cards", str(tmp_path / "mat.pdf"), "--mat", "600x400mm", "-q"]) == 0
    assert pages(tmp_path / "mat.pdf") == [(600.0, 400.0)]


def test_nothing_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "cards.pdf"
    target.write_text("mine")
    assert run(["cards", str(target)]) == 1
    assert "[file-exists]" in capsys.readouterr().err
    assert target.read_text() == "mine"
    assert run(["cards", str(target), "--replace", "-q"]) == 0
    assert target.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    "arguments",
    [
        ["--numbers", "a-b"],
        ["--numbers", "46-50"],
        ["--paper", "a5"],
        ["--per-page", "3"],
        ["--per-page", "two"],
    ],
)
def test_impossible_wishes(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["cards", str(tmp_path / "c.pdf"), *arguments]) in (1, 2)
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not (tmp_path / "c.pdf").exists()


@pytest.mark.parametrize("name", [".", "/", "./"])
def test_a_folder_is_no_file_to_write(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["cards", name]) == 2
    assert "is a folder" in capsys.readouterr().err
