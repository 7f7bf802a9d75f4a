"""Uncertainty budgets: parts add up to what is stated, the print's part worked by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import segmentize
from shapely.affinity import rotate, translate
from shapely.geometry import Point, Polygon, box

from tests.panel.bench import bar, outline
from tests.parallax.single_view.test_single import camera, silhouette
from tests.workflows.arranging.test_arrange import write_job
from tests.workflows.tracing.test_known_things import lay_of_one_photo
from tracer.cli.app import run
from tracer.model.calibration import SigmaMap
from tracer.model.outline import Cause
from tracer.parallax.single_view.single import outline_from_silhouette
from tracer.project.outlines_file import load_outlines
from tracer.workflows.budget import lever_mm, tool_budget


def made(**parts: float):  # type: ignore[no-untyped-def]
    return replace(
        outline(bar(), 1, height_mm=24.0),
        budget_mm={Cause(name.replace("_", "-")): value for name, value in parts.items()},
    )


@pytest.mark.parametrize(("a", "b"), [(60.0, 60.0), (200.0, 20.0), (30.0, 9.0)])
def test_the_prints_lever_of_a_rectangle(a: float, b: float) -> None:
    # long sides (length a each) move by b/2, short ones by a/2
    by_hand = math.sqrt((2 * a * (b / 2) ** 2 + 2 * b * (a / 2) ** 2) / (2 * a + 2 * b))
    shape = translate(rotate(box(0, 0, a, b), 31), 700, -300)
    assert lever_mm(replace(outline(bar(), 1), region=shape)) == pytest.approx(by_hand, rel=1e-3)


def test_variances_add_and_the_largest_part_comes_first() -> None:
    # JCGM 100:2008, 5.1.2: u_c^2 = sum of u_i^2; 3-4-12 gives 13
    budget = tool_budget(made(silhouette=0.3, height=0.4, edge_class=1.2), None)
    assert budget is not None
    assert budget.combined_mm == pytest.approx(1.3)
    assert budget.expanded_mm == pytest.approx(2.6)
    assert [p.cause for p in budget.lines] == ["edge-class", "height", "silhouette"]
    assert sum(p.share for p in budget.lines) == pytest.approx(1.0)
    assert budget.lines[0].share == pytest.approx(144 / 169)


def test_the_prints_size_is_a_part() -> None:
    disc = replace(made(silhouette=0.03), region=Point(900, 0).buffer(40, quad_segs=90))
    budget = tool_budget(disc, 0.001)  # a per mille of 40 mm
    assert budget is not None
    parts = {p.cause: p.sigma_mm for p in budget.lines}
    assert parts["print"] == pytest.approx(0.04, abs=1e-4)
    assert budget.combined_mm == pytest.approx(0.05, abs=1e-4)


def test_what_was_drawn_has_none() -> None:
    assert tool_budget(outline(bar(), 1), 0.001) is None


def test_one_photos_parts_are_what_its_deviation_is_made_of() -> None:
    flat = SigmaMap(np.array([-500.0, 900.0]), np.array([-500.0, 900.0]), np.full((2, 2), 0.11))
    cov = np.diag([4.0, 9.0, 25.0])
    seen = silhouette(Polygon(segmentize(box(300, 250, 420, 300), 2.0).exterior))
    found, _ = outline_from_silhouette(
        seen,
        camera(1500.0),
        outline_id="T01",
        height_mm=40.0,
        height_sigma_mm=2.0,
        pose_cov=cov,
        sigma_map=flat,
    )
    parts = found.budget_mm
    assert set(parts) == {
        Cause.SILHOUETTE, Cause.HEIGHT, Cause.EDGE_CLASS, Cause.CAMERA, Cause.SHEET,
    }  # fmt: skip
    assert math.hypot(*parts.values()) == pytest.approx(found.sigma_mm, rel=1e-9)
    assert parts[Cause.SHEET] == pytest.approx(0.11, rel=1e-6)
    again, _ = outline_from_silhouette(
        seen,
        camera(1500.0),
        outline_id="T01",
        height_mm=40.0,
        height_sigma_mm=4.0,
        pose_cov=cov,
        sigma_map=flat,
    )
    # twice the doubt of the height: that part alone doubles
    assert again.budget_mm[Cause.HEIGHT] == pytest.approx(2 * parts[Cause.HEIGHT], rel=1e-9)
    assert again.budget_mm[Cause.CAMERA] == pytest.approx(parts[Cause.CAMERA], rel=1e-9)


def test_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["budget", "bench"]) == 2
    assert "[job-missing]" in capsys.readouterr().err
    lay_of_one_photo(write_job(tmp_path / "bench.job", (outline(bar(), 1),)))
    assert run(["budget", "bench"]) == 1
    assert "[budget-none]" in capsys.readouterr().err
    traced = made(silhouette=0.12, height=0.05)
    folder = write_job(tmp_path / "bench.job", (traced,))
    lay_of_one_photo(folder)
    (back,) = load_outlines(folder.read("outlines.json"), "outlines.json").outlines
    assert back.budget_mm == traced.budget_mm
    assert run(["budget", "bench", "T09"]) == 2
    assert "[budget-unknown-tool]" in capsys.readouterr().err
    assert run(["budget", "bench", "T01", "--json"]) == 0
    (tool,) = json.loads(capsys.readouterr().out)["tools"]
    assert tool["combined_mm"] == pytest.approx(0.13)
    assert [p["cause"] for p in tool["parts"]] == ["silhouette", "height"]
    assert run(["budget", "bench"]) == 0
    shown = capsys.readouterr().out
    assert "together" in shown and "0.130 mm" in shown and "0.26 mm" in shown
