"""Emblems, mounts and the rest as a maker types them: plan, drawings, arrange, cut, bad inputs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.panel.fittings.bicycle_wall import DRAWINGS, wall_plan
from tests.workflows.arranging.test_arrange import OUTLINES, write_job
from tracer.cli.app import run
from tracer.project.panel_file import load_panel
from tracer.project.plan_file import plan_toml
from tracer.project.store import JobFolder


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    for name, data in DRAWINGS.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "wall.toml").write_bytes(plan_toml(wall_plan(cavities=())))
    return write_job(tmp_path / "bench.job", OUTLINES[:2])


NOTES = '[[emblems]]\nname = "x"\nfile = "notes.txt"'
GIVEN = ["--drawing", "wheel.svg", "--drawing", "plate.dxf"]


def test_drawings_are_kept_in_the_job(job: JobFolder) -> None:
    accepted = ["--accept", "fitting-too-near", "--accept", "web-thin", "-q"]
    told = ["arrange", "bench", "--plan", "wall.toml", *accepted]
    assert run([*told, *GIVEN]) == 0
    assert job.read("drawings/wheel.svg") == DRAWINGS["wheel.svg"]
    first = job.read("panel.json")
    assert run(["arrange", "bench", *accepted]) == 0  # without the files: the job has them
    assert job.read("panel.json") == first
    panel = load_panel(first, "panel.json").panel
    assert [i.name for i in panel.inlays] == ["word", "wheel"]
    assert len(panel.mounts) == 4 and panel.rail is not None and len(panel.ledges) == 1


def test_a_grip_is_typed_on_the_command_line(job: JobFolder) -> None:
    assert run(["arrange", "bench", "--bay", "420x280", "--grip", "-q"]) == 0
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    # the usual stack is of 33 kg/m3
    assert panel.size_mm == pytest.approx((423.0, 283.0), abs=0.01)


@pytest.mark.parametrize(
    ("plan", "words", "slug"),
    [
        ('[[emblems]]\nname = "x"\nfile = "gone.svg"', [], "plan-drawing-missing"),
        ("", ["--drawing", "gone.svg"], "plan-drawing-missing"),
        (NOTES, ["--drawing", "notes.txt"], "not-a-dxf-file"),
        ('[[emblems]]\nname = "x"\ntext = "A"\nheight_mm = 0', [], "panel-plan-unreadable"),
        ('[[emblems]]\nname = "x"\ntekst = "A"', [], "panel-plan-unreadable"),
        ('[[emblems]]\nname = "x"\nislands = "floating"', [], "panel-plan-unreadable"),
        ('[[cavities]]\nname = "x"\ncable_mm = 6', [], "panel-plan-unreadable"),
        ('[[mounts]]\nname = "x"\ncount = 1.5', [], "panel-plan-unreadable"),
        ("[rail]\nthickness_mm = 1e9", [], "panel-plan-unreadable"),
        ("[rail]", [], "rail-without-wall"),
    ],
)  # fmt: skip
def test_slips_are_said_in_a_sentence(
    plan: str, words: list[str], slug: str, job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("notes.txt").write_text("no drawing")
    Path("typed.toml").write_text(plan + "\n")
    assert run(["arrange", "bench", "--plan", "typed.toml", *words]) in (1, 2)
    said = capsys.readouterr().err
    assert f"[{slug}]" in said and "Traceback" not in said
    assert not job.has("panel.json") and not job.has("drawings/notes.txt")
