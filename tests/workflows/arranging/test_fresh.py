"""``tracer arrange --place fresh`` on a job folder, as typed on the command line, and cut."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.workflows.arranging.test_arrange import write_job
from tracer.cli.app import run
from tracer.model.panel_plan import Arrangement, PlacementPlan
from tracer.project.panel_file import load_panel
from tracer.project.plan_file import plan_from_toml
from tracer.project.store import JobFolder

FRESH = ["--bay", "420x300", "--place", "fresh", "--effort", "quick"]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return write_job(tmp_path / "bench.job")


def places(job: JobFolder) -> list[tuple[str, float, float]]:
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    return [(p.pocket_id, p.placement.x_mm, p.placement.y_mm) for p in panel.pockets]


def test_three_layouts_are_shown_one_is_taken_kept_and_cut(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["arrange", "bench", *FRESH, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    layouts = record["layouts"]
    assert [x["number"] for x in layouts] == [1, 2, 3]
    assert [x["taken"] for x in layouts] == [True, False, False]
    assert layouts[0]["score"] >= layouts[1]["score"] >= layouts[2]["score"]
    assert {f"pictures/layout-{n}.png" for n in (1, 2, 3)} <= set(record["files"])
    assert not [c for c in record["checks"] if c["severity"] == "fail"]
    first = job.read("panel.json")
    # no search again: what was chosen stays, byte for byte, and through a changed title too
    assert run(["arrange", "bench", "-q"]) == 0
    assert job.read("panel.json") == first
    before = places(job)
    text = job.read("panel.toml").decode()
    (job.path / "panel.toml").write_text('title = "Other"\n' + text.split("\n", 2)[2], "utf-8")
    assert run(["arrange", "bench", "-q"]) == 0
    assert places(job) == before
    assert run(["arrange", "bench", "--choice", "2", "-q"]) == 0
    assert places(job) != before
    assert run(["arrange", "bench", "--choice", "1", "-q"]) == 0
    assert places(job) == before
    (job.path / "panel.toml").write_text(
        job.read("panel.toml").decode().replace("width_mm = 420", "width_mm = 460"), "utf-8"
    )
    assert run(["arrange", "bench", "-q"]) == 0  # another bay: laid out anew
    assert places(job) != before
    assert run(["cut", "bench", "-q"]) == 0
    assert list((job.path / "cut").rglob("*.dxf"))


def test_stay_holds_a_tool_while_the_rest_is_laid_out(job: JobFolder) -> None:
    assert run(["arrange", "bench", "--bay", "520x300", "-q"]) == 0
    before = dict((i, (x, y)) for i, x, y in places(job))
    assert run(["arrange", "bench", *FRESH, "--bay", "520x300", "--stay", "T03", "-q"]) == 0
    after = dict((i, (x, y)) for i, x, y in places(job))
    assert after["T03"] == pytest.approx(before["T03"], abs=1e-2)
    assert any(after[i] != pytest.approx(before[i], abs=1.0) for i in ("T01", "T02", "T04"))


@pytest.mark.parametrize(
    ("more", "slug"),
    [
        (["--place", "fresh"], "layout-needs-bay"),
        (["--place", "anew"], "usage"),
        ([*FRESH, "--stay", "T09"], "layout-stay-unknown"),
        ([*FRESH, "--choice", "4"], "number-out-of-range"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_written(
    job: JobFolder, capsys: pytest.CaptureFixture[str], more: list[str], slug: str
) -> None:
    assert run(["arrange", "bench", *more]) in (1, 2)
    assert f"[{slug}]" in capsys.readouterr().err
    assert not job.has("panel.json")


def test_old_plans_are_still_read() -> None:
    for value in ("photographed", "tidied"):
        plan = plan_from_toml(f'[placement]\narrangement = "{value}"\n'.encode(), "panel.toml")
        assert plan.placement == PlacementPlan(Arrangement(value))
        assert plan.places == ()
