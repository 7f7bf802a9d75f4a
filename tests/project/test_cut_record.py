"""One schema for what was cut with what: both kinds of cut write it, and it reads back whole."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.workflows.arranging.test_arrange import OUTLINES, write_job
from tracer.export.machine.profiles import read_machine
from tracer.model.panel import BayKind
from tracer.panel.rules import rules_for
from tracer.project.cut_record import CutRecord, cut_record, cut_records, dump_cut
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_job import cut_job

OPTIONS = CutOptions(machine=read_machine("router"), thickness_mm=30, depth_mm=12)


def written(folder_path: Path) -> tuple[bytes, CutRecord]:
    (path,) = folder_path.rglob("*-cut.json")
    record = cut_record(path.read_bytes())
    assert record is not None
    return path.read_bytes(), record


@pytest.mark.parametrize("arranged", [False, True])
def test_what_is_written_is_read_whole(tmp_path: Path, arranged: bool) -> None:
    folder = write_job(tmp_path / "bench.job", OUTLINES[:2])
    if arranged:
        arrange_job(folder)
        done = cut_job(folder, CutOptions(machine=read_machine("router")))
    else:
        done = cut_job(folder, OPTIONS)
    data, record = written(folder.path)
    assert json.loads(dump_cut(record)) == json.loads(data)  # no key that only one side knows
    assert cut_records(folder) == [record]
    assert record.made_from and record.asked is not None
    assert [p.id for p in record.pockets] == ["T01", "T02"]
    assert len(record.sheets) == len(done.results)
    for sheet, result in zip(record.sheets, done.results, strict=True):
        assert sheet.size_mm == pytest.approx(result.cut.size_mm)
        assert sheet.cut_length_mm == pytest.approx(result.figures.cut_mm, abs=0.06)
    assert (record.panel_revision is None) is not arranged
    assert (record.origin_mm is None) is arranged
    for pocket in record.pockets:
        assert pocket.area_mm2 is not None and pocket.widths_mm is not None
        assert (pocket.wall is None) is arranged


def test_what_is_not_known_is_left_out_but_right_through_is_said(tmp_path: Path) -> None:
    folder = write_job(tmp_path / "bench.job", OUTLINES[:1])
    cut_job(folder, replace(OPTIONS, depth_mm=None))
    body = json.loads(written(folder.path)[0])
    assert body["pockets"][0]["depth_mm"] is None
    assert "margin_mm" not in body["pockets"][0] and "panel_revision" not in body


def test_a_rule_that_never_did_anything_may_still_stand_in_a_plan() -> None:
    assert rules_for(BayKind.WALL, (), {"label_strip_mm": 9.0}) == rules_for(BayKind.WALL)
