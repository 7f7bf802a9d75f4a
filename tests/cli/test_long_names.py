"""Names longer than any system takes (255 bytes on most): one sentence, no report of a defect."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from tracer.cli.app import run

LONG = "9" * 400


@pytest.mark.parametrize(
    "words",
    [
        ["known", LONG],
        ["cards", LONG],
        ["machines", LONG],
        ["inspect", "a.jpg", "--jobs", LONG],
        ["batch", LONG, "--out", "o"],
        ["shelf", "take", "bench", LONG, "--folder", "s"],
        ["budget", LONG],
    ],
)
def test_a_name_that_no_system_takes(
    words: Sequence[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run([*words]) in (1, 2)
    said = capsys.readouterr().err
    assert said.count("error: ") == 1 and "[program-defect]" not in said
    assert list(tmp_path.iterdir()) == []
