"""Layouts to choose from: nothing is written before one is taken, locked tools stay.

Distances are measured with shapely; taking a layout and undoing it gives the very bytes back.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from tests.workflows.arranging.test_arrange import write_job
from tracer.desk.layouts import _changes, wish_of
from tracer.errors import TracerError
from tracer.model.panel_plan import Effort, Style
from tracer.project.edits_file import Change, Edit
from tracer.project.panel_file import load_panel
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import arrange_job, plan_in_force
from tracer.workflows.arranging.proposals import LayoutWish, Proposals, propose_layouts
from tracer.workflows.editing.job_edits import make_edit, redo, undo

QUICK = LayoutWish(effort=Effort.QUICK)


def traced(path: Path) -> JobFolder:
    folder = write_job(path)
    lay = LayRecord(photos=(PhotoRecord("photos/lay1-1.jpg", "lay.jpg", "0" * 16),))
    with folder.locked():
        folder.commit({"job.json": dump_job(JobRecord(lays=(lay,), next_outline=5))})
    return folder


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    folder = traced(tmp_path / "bench.job")
    bay = Change(("plan", "bay"), None, {"kind": "drawer", "width_mm": 420, "height_mm": 300})
    make_edit(folder, Edit("plan", "bay", (bay,)))
    arrange_job(folder)
    return folder


def state(folder: JobFolder) -> dict[str, bytes]:
    files = (p for p in folder.path.rglob("*") if p.is_file())
    return {str(p.relative_to(folder.path)): p.read_bytes() for p in files}


def middles(folder: JobFolder) -> dict[str, tuple[float, float]]:
    panel = load_panel(folder.read("panel.json"), "panel.json").panel
    boxes = {p.pocket_id: p.region.bounds for p in panel.pockets}
    return {i: ((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for i, b in boxes.items()}


def take(folder: JobFolder, found: Proposals, number: int) -> None:
    wanted = _changes(found.before, found.choices[number].plan)
    changes = tuple(Change(tuple(c["path"]), c["was"], c["now"]) for c in wanted)
    make_edit(folder, Edit("layout", "", changes))
    arrange_job(folder, keep_places=True)


def lock(folder: JobFolder, pocket: str) -> None:
    x, y = middles(folder)[pocket]
    now = {"x_mm": round(x, 2), "y_mm": round(y, 2), "locked": True}
    make_edit(folder, Edit("lock", "", (Change(("plan", "moves", pocket), None, now),)))
    arrange_job(folder, keep_places=True)


def test_three_are_proposed_and_nothing_is_written(job: JobFolder) -> None:
    before = state(job)
    found = propose_layouts(job, QUICK)
    assert len(found.choices) == 3
    assert state(job) == before
    for one in found.choices:
        for pocket in one.pockets:
            assert found.shape.contains(pocket.region)
        for a, b in itertools.combinations(one.pockets, 2):
            assert a.region.distance(b.region) > 5, (a.pocket_id, b.pocket_id)
    shown = [[p.region.bounds for p in one.pockets] for one in found.choices]
    assert shown[0] != shown[1] != shown[2]


@pytest.mark.parametrize("number", [0, 2])
def test_the_one_that_is_taken_is_the_one_that_was_shown(job: JobFolder, number: int) -> None:
    found = propose_layouts(job, QUICK)
    take(job, found, number)
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    made = {p.pocket_id: p.region for p in panel.pockets}
    for pocket in found.choices[number].pockets:
        there = made[pocket.pocket_id]
        # places are kept to 0.001 mm
        assert pocket.region.hausdorff_distance(there) < 0.01, pocket.pocket_id


def test_taking_a_layout_is_undone_exactly(job: JobFolder) -> None:
    before, places = job.read("panel.toml"), middles(job)
    take(job, propose_layouts(job, QUICK), 1)
    after, taken = job.read("panel.toml"), middles(job)
    assert taken != places
    undo(job)
    assert job.read("panel.toml") == before
    arrange_job(job, keep_places=True)
    assert middles(job) == places
    redo(job)
    assert job.read("panel.toml") == after
    arrange_job(job, keep_places=True)
    assert middles(job) == taken


def test_a_locked_tool_stays_and_one_put_by_hand_does_not_count(job: JobFolder) -> None:
    take(job, propose_layouts(job, QUICK), 0)
    first, *_, last = sorted(middles(job))
    lock(job, first)
    by_hand = Change(("plan", "moves", last), None, {"x_mm": 60.0, "y_mm": 60.0})
    make_edit(job, Edit("move", "", (by_hand,)))
    arrange_job(job, keep_places=True)
    was = {
        p.pocket_id: p.region
        for p in load_panel(job.read("panel.json"), "panel.json").panel.pockets
    }
    found = propose_layouts(job, LayoutWish(effort=Effort.QUICK, style=Style.DENSE, seed=3))
    assert [p.pocket_id for p in found.choices[0].pockets if p.locked] == [first]
    for one in found.choices:
        held = next(p.region for p in one.pockets if p.pocket_id == first)
        assert held.hausdorff_distance(was[first]) < 0.02  # turned as it was, too
    take(job, found, 0)
    content = load_panel(job.read("panel.json"), "panel.json")
    there = {p.pocket_id: p.region for p in content.panel.pockets}
    assert there[first].hausdorff_distance(was[first]) < 0.02
    assert middles(job)[last] != pytest.approx((60, 60), abs=0.5)
    plan = plan_in_force(job, content)
    assert [m.pocket_id for m in plan.moves] == [first]
    assert (plan.placement.style, plan.placement.seed) == (Style.DENSE, 3)


def test_a_chosen_layout_is_kept_when_a_tool_comes_back(job: JobFolder) -> None:
    gone = sorted(middles(job))[0]
    skip = Change(("plan", "tools", gone), None, {"skip": True})
    make_edit(job, Edit("pocket", "", (skip,)))
    arrange_job(job, keep_places=True)
    take(job, propose_layouts(job, QUICK), 0)
    before = middles(job)
    make_edit(job, Edit("pocket", "", (skip.undone,)))
    arrange_job(job, keep_places=True)
    after = middles(job)
    assert set(after) - set(before) == {gone}
    assert {i: after[i] for i in before} == before


def test_without_a_panel_there_is_nothing_to_lay_out(tmp_path: Path) -> None:
    folder = traced(tmp_path / "bare.job")
    with pytest.raises(TracerError) as caught:
        propose_layouts(folder, QUICK)
    assert caught.value.slug == "layout-needs-panel"


@pytest.mark.parametrize("body", [{"style": "heap"}, {"seed": -1}, {"gap_mm": 1e9}, {"effort": 3}])
def test_wishes_that_make_no_sense_are_refused(body: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        wish_of(body)
