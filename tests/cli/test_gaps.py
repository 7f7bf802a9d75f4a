"""Gaps typed back from the paper template: kept, applied on every run, forgotten."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from tests.cli.photos import put_job
from tracer.cli.app import run
from tracer.model.outline import Outline
from tracer.panel.pocket.readings import edge_marks, gap_at
from tracer.project.outlines_file import load_outlines
from tracer.project.panel_file import load_panel
from tracer.project.schema import load_job


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    put_job(tmp_path)
    assert run(["arrange", "bench", "--bay", "600x400", "-q"]) in (0, 3)
    return tmp_path / "bench.job"


def outlines(job: Path) -> dict[str, Outline]:
    return {
        o.outline_id: o for o in load_outlines((job / "outlines.json").read_bytes(), "").outlines
    }


def test_gaps_move_the_edge_stay_with_the_job_and_are_forgotten(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = outlines(bench)
    pocket = next(
        p for p in load_panel((bench / "panel.json").read_bytes(), "").panel.pockets
        if p.pocket_id == "T02"
    )  # fmt: skip
    stands = {m.letter: gap_at(m, pocket.wall) for m in edge_marks(pocket.outline)}
    capsys.readouterr()
    # the tool covers the line by 1 mm at C: its edge lies 1 mm beyond the wall there
    assert run(["gaps", "bench", "T02", "c=-1mm", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["moves_mm"] == {"C": pytest.approx(stands["C"] + 1.0, abs=1e-3)}
    after = outlines(bench)
    mark = next(m for m in edge_marks(before["T02"].region) if m.letter == "C")
    assert gap_at(mark, after["T02"].region) > 0.5 * told["moves_mm"]["C"]
    assert after["T02"].revision == before["T02"].revision + 1
    # at C the edge is known better than elsewhere; so far off, it was traced worse than stated
    ring = after["T02"].sigma_ring_mm
    corners = shapely.get_coordinates(after["T02"].region.exterior)[:-1]
    there = np.hypot(*(corners - (mark.x_mm, mark.y_mm)).T)
    assert ring[there < 8].mean() < 0.6 * np.median(ring[there > 40])
    assert np.median(ring) > np.median(before["T02"].sigma_ring_mm)
    assert after["T01"].region.equals(before["T01"].region)
    # a run over the lay keeps them
    assert run(["trace", "--job", "bench", "-q"]) == 0
    assert shapely.equals_exact(outlines(bench)["T02"].region, after["T02"].region, 1e-9)
    assert run(["gaps", "bench", "T02", "--forget", "-q"]) == 0
    assert outlines(bench)["T02"].region.equals_exact(before["T02"].region, 1e-9)
    assert load_job((bench / "job.json").read_bytes(), "").lays[0].readings == {}


def test_a_lay_cut_as_photographed_has_its_template_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    job = put_job(tmp_path)
    assert run(["cut", "bench", "--machine", "scalpel", "-q"]) in (0, 3)
    wall = Polygon(
        json.loads((job / "cut/scalpel/bench-cut.json").read_bytes())["pockets"][1]["wall"]
    )
    before = outlines(job)["T02"]
    stands = {m.letter: gap_at(m, wall) for m in edge_marks(before.region)}
    assert all(0 < gap < 8 for gap in stands.values())
    capsys.readouterr()
    assert run(["gaps", "bench", "T02", "--everywhere", "0.5", "B=1", "--json"]) == 0
    moves = json.loads(capsys.readouterr().out)["moves_mm"]
    assert moves == pytest.approx(
        {k: gap - (1 if k == "B" else 0.5) for k, gap in stands.items()}, abs=2e-3
    )


def test_what_is_typed_wrong_changes_nothing(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = (bench / "job.json").read_bytes()
    for typed, said in (
        (["T02", "Z=1"], "no mark Z"),
        (["T09", "A=1"], "has no tool T09"),
        (["T02", "A1"], "no mark with its gap"),
        (["T02", "A=99"], "cannot be 99 mm"),
        (["T02", "A=wide"], "not a length"),
        (["T02"], "No gap was typed"),
        (["T02", "A=1", "--forget"], "--forget goes with no gap"),
        (["T02", "A=-30"], "mm outside of where it was traced"),
    ):
        assert run(["gaps", "bench", *typed]) == 2, typed
        assert said in capsys.readouterr().err
    assert (bench / "job.json").read_bytes() == record


def test_a_template_of_an_older_outline_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["gaps", "bench", "T02", "A=0.2", "-q"]) == 0
    assert run(["gaps", "bench", "T02", "A=0.2", "-q"]) == 1
    assert "made anew after its template" in capsys.readouterr().err
    # arranged again there is a new template to read at
    assert run(["arrange", "bench", "-q"]) in (0, 3)
    assert run(["gaps", "bench", "T02", "--everywhere", "0.5", "-q"]) == 0
