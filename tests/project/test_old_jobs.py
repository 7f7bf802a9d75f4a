"""A job folder as an earlier version wrote it: opened, cut, written anew.

``job_of_version_1`` holds two lays as files of version 1 hold them: the second lay's calibration
inside the first's.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.project.test_loaders import LAY
from tracer.export.machine.profiles import read_machine
from tracer.model.lay_calibration import LayCalibration, of_lay
from tracer.model.report import Check, Severity
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_job import cut_job

OLD = Path(__file__).parent / "job_of_version_1"


@pytest.fixture
def old() -> bytes:
    return (OLD / "outlines.json").read_bytes()


def test_every_lay_has_the_same_form(old: bytes) -> None:
    body = json.loads(old)
    assert body["version"] == 1 and "further_lays" in body["calibration"]
    content = load_outlines(old, "outlines.json")
    assert content.calibration == (LAY, LAY)
    assert content.lay_of == {"T01": 1, "T02": 2}
    view = content.calibration[1].photos[0].view()
    assert view.photo_id == "p1" and view.K[0, 0] == 3000.0


def test_what_is_written_anew_reads_the_same(old: bytes) -> None:
    content = load_outlines(old, "outlines.json")
    new = dump_outlines(content)
    body = json.loads(new)
    assert body["version"] == 2
    assert [lay["photos"][0]["photo_id"] for lay in body["calibration"]] == ["p1", "p1"]
    again = load_outlines(new, "outlines.json")
    assert again.calibration == content.calibration
    assert dump_outlines(again) == new
    # outlines keep their very lines
    lines = [line for line in old.splitlines() if line.startswith(b'  {"id": ')]
    assert len(lines) == 2
    assert all(line in new for line in lines)


@pytest.mark.parametrize("in_doubt", [False, True])
@pytest.mark.parametrize("named", [False, True])
def test_doubt_is_read_as_it_was_whatever_the_findings_say(
    old: bytes, in_doubt: bool, named: bool
) -> None:
    first = replace(load_outlines(old, "").outlines[0], in_doubt=in_doubt)
    finding = Check("outline-doubtful", Severity.WARN, "a.", "b.", subject_id=first.outline_id)
    data = dump_outlines(OutlinesFile((first,), checks=(finding,) if named else ()))
    assert load_outlines(data, "").outlines[0].in_doubt is in_doubt
    # a file of before the mark was kept has it in its findings
    assert (b'"in_doubt"' in data) is (in_doubt is not named)


def test_a_file_without_any_calibration() -> None:
    text = b'{"format": "tracer-outlines", "version": 1, "outlines": [], "calibration": {}}'
    assert load_outlines(text, "outlines.json").calibration == ()
    assert of_lay((), 1) == LayCalibration() == of_lay((LAY,), 2)
    assert load_outlines(dump_outlines(OutlinesFile(())), "outlines.json").calibration == ()


def test_an_old_job_is_opened_and_cut(tmp_path: Path) -> None:
    shutil.copytree(OLD, tmp_path / "bench.job")
    folder = JobFolder(tmp_path / "bench.job")
    assert len(load_job(folder.read("job.json"), "job.json").lays) == 2
    done = cut_job(folder, CutOptions(machine=read_machine("router"), material="pe"))
    assert len(done.results) == 2
    assert sorted(p.pocket_id for r in done.results for p in r.pockets) == ["T01", "T02"]
    assert sum(name.endswith(".dxf") for name in done.files) == 4
