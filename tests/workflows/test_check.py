"""The command that examines a cutting file, ours or anybody's."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tracer.cli.app import run


def test_check_tells_files_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" '
        'viewBox="0 0 200 200"><rect x="20" y="20" width="100" height="100"/>'
        '<path d="M130 130h20v20"/></svg>'
    )
    assert run(["check", str(path), "--json"]) == 3
    record = json.loads(capsys.readouterr().out)
    assert {c["slug"] for c in record["checks"]} == {"scale-confirmed", "curve-open"}
    pdf = tmp_path / "a.pdf"
    pdf.write_bytes(b"%PDF-1.7\n")
    assert run(["check", str(pdf)]) == 1
    assert run(["check", str(tmp_path / "none.dxf")]) == 1
