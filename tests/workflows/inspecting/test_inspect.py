"""``tracer inspect`` as typed: table, JSON, picture, history, exit codes, refusals."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.inspection.bench import (
    GONE,
    bench_panel,
    needs_compiler,
    panel_photo,
    write_panel_job,
)
from tests.panel.bench import drawer, panel_of, plan, row_of_bars
from tests.workflows.arranging.test_arrange import write_job
from tracer.cli.app import run
from tracer.inspection.pattern import linear_rgb
from tracer.project.learned_file import load_learned
from tracer.project.store import JobFolder


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return write_panel_job(tmp_path / "bench.job", bench_panel())


@pytest.fixture
def bars(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    panel = panel_of(row_of_bars(3), plan(drawer(460, 320)))
    return write_panel_job(tmp_path / "bars.job", panel)


@needs_compiler
@pytest.mark.slow
def test_missing_tools_are_told_kept_and_give_code_3(
    job: JobFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "evening.jpg").write_bytes(panel_photo(some_gone=True).jpeg)
    assert run(["inspect", "bench", "evening.jpg", "--by", "Kim", "--json"]) == 3
    record = json.loads(capsys.readouterr().out)
    (panel,) = record["panels"]
    states = {p["id"]: p["state"] for p in panel["pockets"]}
    assert all(states[i] == "missing" for i in GONE)
    assert panel["photos"][0]["found_by"] == "drawing"
    picture = Image.open(job.path / "inspection/photo-1.jpg")
    assert picture.size[0] == 1600 and picture.size[1] > 1200
    assert run(["inspect", "bench", "evening.jpg"]) == 3
    out = capsys.readouterr().out
    assert "missing" in out and "picture:" in out
    text = (job.path / "inspections.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(text.decode("utf-8-sig"))))
    assert len(rows) == 2 and rows[0]["by"] == "Kim" and rows[1]["by"] == ""
    assert rows[0]["missing"] == str(list(states.values()).count("missing"))
    assert "combination spanner 15" in rows[0]["missing_tools"]


@needs_compiler
@pytest.mark.slow
def test_which_panel_it_is_is_found(
    job: JobFolder, bars: JobFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "full.jpg").write_bytes(panel_photo().jpeg)
    assert run(["inspect", "full.jpg", "--jobs", ".", "--json", "--no-record"]) in (0, 3)
    record = json.loads(capsys.readouterr().out)
    assert [p["job"] for p in record["panels"]] == ["bench"]
    assert not job.has("inspections.csv") and not bars.has("inspections.csv")


@needs_compiler
@pytest.mark.slow
@pytest.mark.parametrize("slug", ["panel-not-seen", "panel-mirrored"])
def test_photos_that_do_not_count(
    slug: str,
    job: JobFolder,
    bars: JobFolder,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    photo = panel_photo()
    name = "bars" if slug == "panel-not-seen" else "bench"
    pixels = photo.photo.pixels if name == "bars" else photo.photo.pixels[:, ::-1]
    Image.fromarray(np.ascontiguousarray(pixels)).save(tmp_path / "a.jpg", quality=92)
    assert run(["inspect", name, "a.jpg"]) == 1
    said = capsys.readouterr().err
    assert f"[{slug}]" in said and "Traceback" not in said
    assert not job.has("inspections.csv") and not bars.has("inspections.csv")


@needs_compiler
@pytest.mark.slow
def test_the_empty_panel_teaches_its_floors(
    job: JobFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty.jpg").write_bytes(panel_photo(all_gone=True).jpeg)
    (tmp_path / "full.jpg").write_bytes(panel_photo().jpeg)
    assert run(["inspect", "bench", "full.jpg", "--learn"]) == 1
    assert "[panel-not-empty]" in capsys.readouterr().err
    assert run(["inspect", "bench", "empty.jpg", "--learn"]) == 0
    assert "8 empty pockets" in capsys.readouterr().out
    floors = load_learned(job.read("inspection/learned.json"), "learned.json")
    ((typed, over),) = floors.items()
    assert typed == (240, 210, 20)
    # sRGB to linear light: IEC 61966-2-1; the foam is some per cent off, the pocket in some shade
    face, floor = linear_rgb((55, 55, 58)), linear_rgb(typed)
    tone = over / over.mean() / (floor / face / (floor / face).mean())
    assert tone[:2] == pytest.approx([1, 1], abs=0.15)
    (tmp_path / "evening.jpg").write_bytes(panel_photo(some_gone=True).jpeg)
    assert run(["inspect", "bench", "evening.jpg", "--json"]) == 3
    (panel,) = json.loads(capsys.readouterr().out)["panels"]
    states = {p["id"]: p["state"] for p in panel["pockets"]}
    assert all(states[i] == "missing" for i in GONE)


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("panel-not-seen", ["inspect", "bars", "plain.jpg"]),
        ("panel-not-seen", ["inspect", "bars", "plain.jpg", "--learn"]),
        ("usage", ["inspect", "bars", "--learn"]),
        ("panel-not-seen", ["inspect", "bars", "noise.png"]),
        ("panel-missing", ["inspect", "traced", "plain.jpg"]),
        ("panel-missing", ["inspect", "plain.jpg", "--jobs", "empty"]),
        ("job-missing", ["inspect", "nowhere", "plain.jpg"]),
        ("photo-unreadable", ["inspect", "bars", "words.jpg"]),
        ("photo-missing", ["inspect", "bars", "none.jpg"]),
        ("usage", ["inspect", "bars"]),
        ("usage", ["inspect", "bars", "plain.jpg", "--marks"]),
        ("usage", ["inspect", "bars", "--marks", "--paper", "b7"]),
        ("too-many-photos", ["inspect", "bars", *["plain.jpg"] * 51]),
    ],
)
def test_bad_input_is_one_sentence(
    slug: str,
    words: list[str],
    bars: JobFolder,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    write_job(tmp_path / "traced.job")
    (tmp_path / "empty").mkdir()
    grey = np.full((900, 1200, 3), 120, np.uint8)
    cv2.imwrite(str(tmp_path / "plain.jpg"), grey)
    noise = np.random.default_rng(1).integers(0, 255, (600, 800, 3), dtype=np.uint8)
    cv2.imwrite(str(tmp_path / "noise.png"), noise)
    (tmp_path / "words.jpg").write_text("no picture")
    assert run(words) in (1, 2)
    said = capsys.readouterr().err
    assert f"[{slug}]" in said and "Traceback" not in said
    assert said.count("error:") == 1
    assert not bars.has("inspections.csv")


def test_marks_are_written(bars: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", "bars", "--marks", "--json"]) == 0
    (file,) = json.loads(capsys.readouterr().out)["files"]
    assert bars.read(file).startswith(b"%PDF-")
