"""tracer arrange, cut and shelf on a job folder, as typed on the command line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from shapely import affinity

from tests.panel.bench import bar, outline, spanner
from tracer.cli.app import run
from tracer.export.drawing.draw import draw_outlines
from tracer.export.dxf.write import dxf_bytes
from tracer.model.panel import BayKind
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.panel_file import load_panel
from tracer.project.schema import JobRecord, dump_job
from tracer.project.store import JobFolder

OUTLINES = tuple(
    outline(affinity.translate(shape, 90.0 * n, 0), n, height_mm=24.0)
    for n, shape in enumerate((bar(), bar(), spanner(), bar(34, 120)), start=1)
)


def write_job(path: Path, outlines: tuple[object, ...] = OUTLINES) -> JobFolder:
    folder = JobFolder(path)
    content = OutlinesFile(outlines, (), (), {o.outline_id: 1 for o in outlines})  # type: ignore[arg-type, attr-defined]
    with folder.locked():
        folder.commit(
            {"job.json": dump_job(JobRecord(lays=())), "outlines.json": dump_outlines(content)}
        )
    return folder


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return write_job(tmp_path / "bench.job")


def test_arrange_writes_panel_plan_and_pictures(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["arrange", "bench", "--bay", "520x300", "--clear-depth", "7cm", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["size_mm"] == [520, 300] and len(record["pockets"]) == 4
    assert {"panel.json", "panel.toml", "pictures/panel.png"} <= set(record["files"])
    panel = load_panel(job.read("panel.json"), "panel.json")
    assert panel.plan.bay is not None and panel.plan.bay.clear_depth_mm == 70


def test_the_same_again_changes_no_byte_and_an_edited_plan_counts(job: JobFolder) -> None:
    assert run(["arrange", "bench", "--bay", "520x300", "-q"]) == 0
    first = job.read("panel.json")
    assert run(["arrange", "bench", "-q"]) == 0
    assert job.read("panel.json") == first
    text = job.read("panel.toml").decode() + '\n[[tools]]\npocket_id = "T01"\ndepth_mm = 9.0\n'
    (job.path / "panel.toml").write_text(text, encoding="utf-8")
    assert run(["arrange", "bench", "-q"]) == 0
    after = load_panel(job.read("panel.json"), "panel.json")
    assert after.panel.revision == 2 and after.panel.pockets[0].depth_mm == 9
    assert job.read("history/panel-1.json") == first


def test_checks_that_fail_give_code_3_unless_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    near = (OUTLINES[0], replace(OUTLINES[1], region=affinity.translate(bar(), 124, 0)))
    write_job(tmp_path / "near.job", near)
    assert run(["arrange", "near", "--bay", "300x260", "-q"]) == 3
    assert run(["arrange", "near", "--accept", "web-thin", "-q"]) == 0
    assert run(["cut", "near", "-q"]) == 3
    assert (tmp_path / "near.job/cut/oscillating-knife/near-CHECKS-FAILED.txt").is_file()
    assert run(["cut", "near", "--accept", "web-thin", "--replace", "-q"]) == 0
    assert not (tmp_path / "near.job/cut/oscillating-knife/near-CHECKS-FAILED.txt").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "slug"),
    [
        (["arrange", "nowhere"], 2, "job-missing"),
        (["arrange", "bench", "--kind", "cupboard"], 2, "usage"),
        (["arrange", "bench", "--plan", "missing.toml"], 1, "panel-plan-missing"),
        (["arrange", "bench", "--bay", "300x400", "--diagonals", "700x500"], 1, "bay-impossible"),
        (["shelf", "take", "bench", "unknown", "--folder", "s"], 1, "shelf-no-outline"),
        (["shelf", "take", "bench", "9" * 400, "--folder", "s"], 1, "shelf-no-outline"),
        (["shelf", "put", "bench", "T77", "--folder", "s"], 1, "shelf-no-outline"),
        (["shelf", "draw", "bench", "x.dxf"], 2, "usage"),
    ],
)
def test_slips_are_named(
    job: JobFolder,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    slug: str,
) -> None:
    assert run(arguments) == code
    assert f"[{slug}]" in capsys.readouterr().err
    assert not job.has("panel.json")


def test_cut_follows_the_panel(job: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    capsys.readouterr()
    assert run(["cut", "bench", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert "cut/oscillating-knife/bench-job-sheet.pdf" in record["files"]
    assert record["sheets"][0]["size_mm"] == [520, 300]
    assert sum("inserts" in s["title"] for s in record["sheets"]) == 1


def test_an_outline_goes_over_the_shelf_into_another_job(
    job: JobFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = write_job(tmp_path / "other.job", OUTLINES[:1])
    assert run(["shelf", "put", "bench", "T03", "--folder", "shelf"]) == 0
    capsys.readouterr()
    assert run(["shelf", "list", "--folder", "shelf"]) == 0
    assert capsys.readouterr().out.strip() == "tool 3"
    assert run(["shelf", "take", "other", "tool 3", "--folder", "shelf"]) == 0
    assert run(["arrange", "other", "--bay", "420x280", "-q"]) == 0
    panel = load_panel(other.read("panel.json"), "panel.json").panel
    assert [p.pocket_id for p in panel.pockets] == ["T01", "G01"]
    assert panel.pockets[1].outline.area == pytest.approx(OUTLINES[2].region.area, rel=1e-4)
    assert len(panel.pockets[1].outline.interiors) == 1


def test_a_drawn_outline_becomes_a_tool(job: JobFolder, tmp_path: Path) -> None:
    # a drawing of ours: only its layer `outline` counts, not the sheet or the check shapes
    (tmp_path / "drawn.dxf").write_bytes(dxf_bytes(draw_outlines(OUTLINES[2:3])))
    # an SVG by hand: 40 x 100 mm with a hole of radius 8
    (tmp_path / "plate.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="120mm" viewBox="0 0 60 120">'
        '<path d="M10 10H50V110H10Z"/><circle cx="30" cy="60" r="8"/></svg>',
        encoding="utf-8",
    )
    for file in ("drawn.dxf", "plate.svg"):
        assert run(["shelf", "draw", "bench", file, "--height", "12", "-q"]) == 0
    assert run(["arrange", "bench", "--bay", "700x320", "-q"]) == 0
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    imported = [p for p in panel.pockets if p.pocket_id.startswith("G")]
    assert [p.name for p in imported] == ["drawn", "plate"]
    assert imported[0].outline.area == pytest.approx(OUTLINES[2].region.area, rel=1e-3)
    # pi r^2 of the hole, read as chords within 0.001 mm
    assert imported[1].outline.area == pytest.approx(4000 - 201.06, abs=0.5)
    assert imported[1].height_mm == 12


@pytest.mark.parametrize(
    ("typed", "points_to"),
    [
        (["--thickness", "20"], "[[plies]]"),
        (["--fit", "press"], "tracer arrange bench --fit"),
        (["--fit-mm", "0.5"], "tracer arrange bench --fit"),
        (["--depth", "12"], "tools.csv"),
        (["--margin", "12"], "tracer arrange bench --edge"),
        (["--fit-probability", "0.5"], "tracer arrange"),
    ],
)
def test_what_the_panel_decides_is_refused_when_typed_otherwise(
    typed: list[str], points_to: str, job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    capsys.readouterr()
    assert run(["cut", "bench", *typed]) == 2
    told = capsys.readouterr().err
    assert "[panel-decides]" in told and typed[0] in told and points_to in told
    assert not (job.path / "cut").exists()


def test_an_option_that_says_what_the_panel_says_is_fine(job: JobFolder) -> None:
    run(["arrange", "bench", "--bay", "520x300", "--fit", "snug", "-q"])
    assert run(["cut", "bench", "--thickness", "3cm", "--fit", "snug", "-q"]) == 0


def test_heat_needs_a_foam_that_somebody_named(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unknown foam and PVC must not be lasered: Purdue University, laser cutter rules."""
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    capsys.readouterr()
    laser = ["cut", "bench", "--machine", "co2-laser"]
    # the plan's usual sheets are nobody's word for what lies on the bed
    assert run(laser) == 1
    assert "Unknown foam must not be cut" in capsys.readouterr().err
    assert run([*laser, "--material", "pvc"]) == 1
    assert "PVC" in capsys.readouterr().err
    assert run([*laser, "--material", "eva"]) == 2
    assert "[material-contradicts-panel]" in capsys.readouterr().err
    assert not (job.path / "cut").exists()
    # a blade only needs telling
    assert run(["cut", "bench", "--material", "eva"]) == 0
    assert "[material-contradicts-panel]" in capsys.readouterr().err


def test_a_panel_planned_in_pvc_is_not_lasered(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    plan = job.path / "panel.toml"
    stock = (
        '{ colour = "grey", rgb = [90, 90, 90], material = "pvc", thickness_mm = 10,'
        " size_mm = [1000, 500] }"
    )
    plan.write_text(
        f'{plan.read_text("utf-8")}\n[[plies]]\nrole = "face"\nstock = {stock}\n', "utf-8"
    )
    run(["arrange", "bench", "-q"])
    capsys.readouterr()
    for typed in ([], ["--material", "pvc"]):
        assert run(["cut", "bench", "--machine", "co2-laser", *typed]) == 1
        assert "[material-forbidden]" in capsys.readouterr().err
    assert not (job.path / "cut").exists()


def test_a_plan_for_a_tool_that_is_not_there_is_told(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("own.toml").write_text('[[tools]]\npocket_id = "T77"\ndepth_mm = 9\n', "utf-8")
    assert run(["arrange", "bench", "--plan", "own.toml"]) == 0
    told = capsys.readouterr().err
    assert "says something of T77" in told and "[plan-without-tool]" in told


def test_a_bay_in_the_wrong_unit_is_refused(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["arrange", "bench", "--bay", "600cmx42m"]) == 2
    assert "--bay cannot be 42000 mm" in capsys.readouterr().err
    assert not job.has("panel.json")


def test_a_kind_without_a_size_fits_round_the_tools(job: JobFolder) -> None:
    """As docs/how-to/panel.md has it: without --bay the panel is made to fit."""
    assert run(["arrange", "bench", "--kind", "wall", "--above-floor", "1000", "-q"]) in (0, 3)
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    assert panel.bay.kind is BayKind.WALL and panel.bay.above_floor_mm == 1000
    boxes = [p.region.bounds for p in panel.pockets]
    # a wall's margin of 40 mm, whole millimetres
    rim = min(min(b[0] for b in boxes), panel.size_mm[0] - max(b[2] for b in boxes))
    assert 39.5 <= rim <= 41


def test_a_height_typed_after_the_trace_counts(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["arrange", "bench", "--bay", "520x300", "-q"]) == 0
    before = load_panel(job.read("panel.json"), "panel.json").panel
    old = before.pockets[0]
    outline = json.loads(job.read("outlines.json"))["outlines"][0]
    x, y = outline["point_px"]
    text = f"name,x_px,y_px,height_mm\n{old.name},{x},{y},{old.height_mm + 12}\n"
    (job.path / "tools.csv").write_text(text, encoding="utf-8")
    capsys.readouterr()
    run(["arrange", "bench"])
    after = load_panel(job.read("panel.json"), "panel.json").panel.pockets[0]
    assert after.height_mm == old.height_mm + 12
    assert after.depth_mm > old.depth_mm
    assert "[height-since-trace]" in capsys.readouterr().err


def test_twelve_of_one_kit(job: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """Sheets worked by hand: panels of 520 x 300 mm, one to a sheet of 1000 x 500."""
    assert run(["cut", "bench", "--copies", "12"]) == 2
    assert "[copies-need-panel]" in capsys.readouterr().err
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    assert run(["cut", "bench", "--copies", "12", "-q"]) == 0
    record = json.loads(job.read("cut/oscillating-knife/bench-copies.json"))
    assert record["serials"][0] == "bench r1 01/12" and len(record["serials"]) == 12
    face = next(s for s in record["stocks"] if s["stock"].startswith("dark grey"))
    assert face["sheets"] == 12
    assert face["waste_share"] == pytest.approx(1 - 520 * 300 / (1000 * 500), abs=1e-3)
    # the small inserts of all twelve share far fewer sheets
    thin = next(s for s in record["stocks"] if "yellow 3" in s["stock"])
    assert 1 <= thin["sheets"] < 12
    # one changed tool: only what differs is issued anew
    content = json.loads(job.read("outlines.json"))["outlines"][0]
    (x, y), old = content["point_px"], content["height_mm"]
    text = f"name,x_px,y_px,height_mm,depth_mm\n{content['name']},{x},{y},{old},9\n"
    (job.path / "tools.csv").write_text(text, encoding="utf-8")
    run(["arrange", "bench", "-q"])
    capsys.readouterr()
    assert run(["cut", "bench", "--copies", "12", "--replace", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert any("face" in n for n in told["reissued"])
    assert not any("base" in n and n.endswith(".dxf") for n in told["reissued"])
