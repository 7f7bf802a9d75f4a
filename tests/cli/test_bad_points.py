"""Corrections that lie nowhere: refused when typed, left out and told when a job holds them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.photos import jpeg, lay, put_job, traced_job
from tests.cli.test_trace import TRACE, bytes_of, load
from tracer.cli.app import run
from tracer.errors import TracerError
from tracer.model.corrections import Corrections
from tracer.project.edits_file import Change, Edit
from tracer.project.schema import dump_job, load_job
from tracer.project.store import JobFolder
from tracer.workflows.editing.job_edits import make_edit

HUGE = "9" * 400  # read as infinity by floating point numbers (IEEE 754)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    put_job(tmp_path)
    return tmp_path


@pytest.mark.parametrize("option", ["--drop", "--keep"])
@pytest.mark.parametrize("point", ["99999,10", "10,-1", "-0.6,5"])
def test_a_point_outside_the_photo_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str], option: str, point: str
) -> None:
    before = bytes_of(bench / "bench.job")
    assert run(["trace", "--job", "bench", f"{option}={point}", "--quiet"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert "lies outside bench photo.jpg" in line
    assert line.endswith("[point-outside-photo]")
    assert bytes_of(bench / "bench.job") == before


def test_a_point_of_endless_numbers_is_no_point(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = bytes_of(bench / "bench.job")
    assert run(["trace", "--job", "bench", f"--drop={HUGE},{HUGE}", "--quiet"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert "is not a point in pixels" in line and len(line) < 250
    assert bytes_of(bench / "bench.job") == before


@pytest.mark.parametrize("line", [f"10,10,{HUGE},10", "10,10,5000,10", "-20,0,30,30"])
def test_a_split_that_leaves_the_photo_is_refused(bench: Path, line: str) -> None:
    before = bytes_of(bench / "bench.job")
    assert run(["trace", "--job", "bench", f"--split={line}", "--quiet"]) == 2
    assert bytes_of(bench / "bench.job") == before


def test_a_new_job_is_not_begun_with_a_point_outside(bench: Path) -> None:
    (bench / "bench photo.jpg").write_bytes(jpeg(lay()))
    assert run([*TRACE, "--job", "new", "--drop", f"{HUGE},1"]) == 2
    assert not (bench / "new.job").exists()


def test_a_swap_refuses_a_point_outside(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "new.jpg").write_bytes(jpeg(lay()))
    before = bytes_of(bench / "bench.job")
    assert run(["swap", "bench", "T01", "new.jpg", "--point", "99999,3", "--quiet"]) == 2
    assert "[point-outside-photo]" in capsys.readouterr().err
    assert bytes_of(bench / "bench.job") == before


UNUSABLE = [
    ("drop", [None, None]),
    ("drop", [None, 30.0]),
    ("keep", [1e300, 2.0]),
    ("keep", "here"),
    ("split", [[10.0, 10.0], [None, 20.0]]),
    ("split", [[10.0, 10.0]]),
    ("merge", [[1.0, 1.0], {"x": 3}]),
    ("strokes", {"line": [], "width_px": 3.0, "add": True}),
    ("strokes", {"line": [[5.0, 5.0]], "width_px": None, "add": True}),
    ("edges", [[None, 1.0], [2.0, 3.0]]),
    ("cables", [True, False]),
    ("glue", [1.0, 2.0]),  # a kind that nobody knows
]


@pytest.mark.parametrize(("kind", "item"), UNUSABLE)
def test_an_unusable_edit_is_set_aside_whole(kind: str, item: object) -> None:
    body = json.loads(traced_job()["job.json"])
    corrections = body["lays"][0]["photos"][0]["corrections"]
    corrections["drop"] = [[30.0, 30.0]]
    corrections[kind] = [*corrections.get(kind, []), item]
    record = load_job(json.dumps(body).encode(), "job.json")
    (photo,) = record.lays[0].photos
    kept = {"kind": kind, "value": [item] if kind == "glue" else item}
    assert photo.unusable == (kept,)
    assert photo.corrections == Corrections(drop=((30.0, 30.0),))
    assert load_job(dump_job(record), "job.json") == record


def test_a_job_with_unusable_edits_opens(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench / "bench.job" / "job.json"
    body = json.loads(path.read_text("utf-8"))
    corrections = body["lays"][0]["photos"][0]["corrections"]
    corrections["drop"] = [load(bench / "bench.job")["outlines"][0]["point_px"], [150000.0, 3.0]]
    for kind, item in UNUSABLE:
        corrections[kind] = [*corrections.get(kind, []), item]
    path.write_text(json.dumps(body), "utf-8")
    assert run(["trace", "--job", "bench", "--quiet", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    told = [c["sentence"] for c in record["checks"] if c["slug"] == "edit-left-out"]
    assert len(told) == len(UNUSABLE) + 1
    assert sum("(150000.0, 3.0)" in sentence for sentence in told) == 1
    # the usable edit among them is in force; the others are kept as they were
    assert [o["id"] for o in load(bench / "bench.job")["outlines"]] == ["T02"]
    photo = json.loads(path.read_text("utf-8"))["lays"][0]["photos"][0]
    assert photo["corrections"]["drop"][1] == [150000.0, 3.0]
    kept = [u["value"] for u in photo["unusable"]]
    assert all(([i] if kind == "glue" else i) in kept for kind, i in UNUSABLE)
    assert len(kept) == len(UNUSABLE)


def test_the_page_cannot_place_a_correction_outside_the_photo(bench: Path) -> None:
    before = bytes_of(bench / "bench.job")
    photo = load(bench / "bench.job", "job.json")["lays"][0]["photos"][0]["photo_id"]
    edit = Edit("drop", "", (Change(("photo", photo, "drop"), [], [[5000.0, 5.0]]),))
    with pytest.raises(TracerError, match="outside") as caught:
        make_edit(JobFolder(bench / "bench.job"), edit)
    assert caught.value.slug == "edit-refused"
    assert bytes_of(bench / "bench.job") == before
