"""Edits in the job folder: kept at once, undone without limit, never over another's."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from tests.desk.bench import seed_job
from tracer.errors import TracerError
from tracer.project.edits_file import EDITS_NAME, Change, Edit, Edits, dump_edits, load_edits
from tracer.project.panel_file import load_panel
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.arranging.arrange import arrange_job, plan_in_force
from tracer.workflows.editing.job_edits import inputs_of, job_revision, make_edit, redo, undo
from tracer.workflows.job.retrace import stale_lays


@pytest.fixture
def folder(tmp_path: Path) -> JobFolder:
    return seed_job(tmp_path / "bench.job")


def height(folder: JobFolder, was: float | None, now: float | None, tool: str = "T03") -> Edit:
    return Edit("cell", f"{tool}/height_mm", (Change(("row", tool, "height_mm"), was, now),))


def photo_id(folder: JobFolder) -> str:
    return load_job(folder.read("job.json"), "job.json").lays[0].photos[0].photo_id


def row_height(folder: JobFolder, name: str) -> float | None:
    rows = parse_tool_list(folder.read("tools.csv"), "tools.csv").rows
    return next(r.height_mm for r in rows if r.name == name)


def test_a_height_reaches_the_tool_list_and_makes_the_lay_stale(folder: JobFolder) -> None:
    inputs = inputs_of(folder)
    assert stale_lays(inputs.record, inputs.tools) == []
    make_edit(folder, height(folder, 21.0, 23.5))
    assert row_height(folder, "cable cutters") == 23.5
    inputs = inputs_of(folder)
    assert stale_lays(inputs.record, inputs.tools) == [1]


def test_undo_and_redo_give_the_very_bytes_back_also_after_reopening(folder: JobFolder) -> None:
    states = [folder.read("tools.csv")]
    values = [21.0, 22.0, 23.0, 24.0, 25.0]
    for was, now in itertools.pairwise(values):
        make_edit(folder, height(folder, was, now))
        states.append(folder.read("tools.csv"))
    for state in states[-2::-1]:
        undo(JobFolder(folder.path))  # a fresh object: nothing is remembered but the folder
        assert folder.read("tools.csv") == state
    with pytest.raises(TracerError) as none_left:
        undo(folder)
    assert none_left.value.slug == "nothing-to-undo"
    for state in states[1:]:
        redo(JobFolder(folder.path))
        assert folder.read("tools.csv") == state
    with pytest.raises(TracerError) as none_left:
        redo(folder)
    assert none_left.value.slug == "nothing-to-redo"


def test_a_new_edit_takes_the_place_of_what_was_undone(folder: JobFolder) -> None:
    make_edit(folder, height(folder, 21.0, 22.0))
    undo(folder)
    make_edit(folder, height(folder, 21.0, 30.0))
    with pytest.raises(TracerError):
        redo(folder)
    assert row_height(folder, "cable cutters") == 30.0


def test_a_stale_page_is_told_and_nothing_is_changed(folder: JobFolder) -> None:
    seen = job_revision(folder)
    make_edit(folder, height(folder, 21.0, 22.0), seen)
    before = folder.read("tools.csv"), folder.read(EDITS_NAME)
    with pytest.raises(TracerError) as stale:
        make_edit(folder, height(folder, 21.0, 40.0), seen)
    assert stale.value.slug == "edit-stale"
    with pytest.raises(TracerError) as conflict:
        make_edit(folder, height(folder, 21.0, 40.0), job_revision(folder))
    assert conflict.value.slug == "edit-conflict" and "22" in conflict.value.sentence
    assert (folder.read("tools.csv"), folder.read(EDITS_NAME)) == before


def test_several_changes_are_one_step_and_all_or_nothing(folder: JobFolder) -> None:
    many = Edit(
        "cells",
        "3",
        tuple(Change(("row", t, "depth_mm"), None, 12.0) for t in ("T01", "T02", "T03")),
    )
    make_edit(folder, many)
    rows = parse_tool_list(folder.read("tools.csv"), "tools.csv").rows
    assert [r.depth_mm for r in rows].count(12.0) == 3
    undo(folder)
    half = Edit(
        "cells",
        "2",
        (
            Change(("row", "T01", "depth_mm"), None, 9.0),
            Change(("row", "T02", "depth_mm"), 5.0, 9.0),  # it is not 5
        ),
    )
    with pytest.raises(TracerError):
        make_edit(folder, half)
    rows = parse_tool_list(folder.read("tools.csv"), "tools.csv").rows
    assert [r.depth_mm for r in rows].count(9.0) == 0


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("keep", [100.0, 200.0]),
        ("drop", [150.5, 120.25]),
        ("split", [[10.0, 10.0], [40.0, 10.0]]),
        ("merge", [[10.0, 10.0], [40.0, 10.0]]),
        ("strokes", {"line": [[10.0, 10.0], [40.0, 12.0]], "width_px": 30.0, "add": False}),
        ("edges", [[10.0, 10.0], [40.0, 12.0], [60.0, 11.0]]),
        ("cables", [3.0, 4.0]),
    ],
)
def test_every_correction_is_kept_and_can_be_withdrawn(
    folder: JobFolder, kind: str, value: object
) -> None:
    path = ("photo", photo_id(folder), kind)
    make_edit(folder, Edit(kind, "", (Change(path, [], [value]),)))
    kept = load_job(folder.read("job.json"), "job.json").lays[0].photos[0].corrections
    assert len(getattr(kept, kind)) == 1 and kept
    make_edit(folder, Edit("withdraw", "", (Change(path, [value], []),)))
    assert not load_job(folder.read("job.json"), "job.json").lays[0].photos[0].corrections
    undo(folder)
    undo(folder)
    assert not load_job(folder.read("job.json"), "job.json").lays[0].photos[0].corrections


@pytest.mark.parametrize(
    ("path", "now"),
    [
        (("row", "T03", "height_mm"), -1),
        (("row", "T03", "height_mm"), "20"),
        (("row", "T03", "height_mm"), True),
        (("row", "T03", "height_mm"), float("inf")),
        (("row", "T03", "height_mm"), 10**400),
        (("row", "T03", "height_mm"), "9" * 5000),
        (("row", "T03", "edge"), "a\x1b[31m" * 1000),
        (("row", "T" * 5000, "edge"), "measured"),
        (("plan", "a\x1b[31m" * 1000), 4),
        (("row", "T03", "quantity"), 1.5),
        (("row", "T03", "line"), 4),
        (("row", "T99", "height_mm"), 4),
        (("row", "T03", "edge"), "sharp"),
        (("photo", "0" * 16, "drop"), [[1, 2]]),
        (("lay", "2", "default_height_mm"), 4),
        (("lay", "1", "photos"), []),
        (("lay", "1", "card_size_mm"), [1, 2, 3]),
        (("..", "job.json"), 4),
        ((), 4),
    ],
)
def test_senseless_edits_are_refused(folder: JobFolder, path: tuple[str, ...], now: object) -> None:
    before = folder.read("job.json"), folder.read("tools.csv")
    with pytest.raises(TracerError) as refused:
        make_edit(folder, Edit("x", "", (Change(path, None, now),)))
    assert refused.value.slug in {"edit-refused", "edit-conflict"}
    assert len(refused.value.sentence) < 300 and refused.value.sentence.isprintable()
    assert (folder.read("job.json"), folder.read("tools.csv")) == before


@pytest.mark.parametrize(
    ("path", "now", "words"),
    [
        (("row", "T03", "height_mm"), 501, "501 cannot be height_mm: it must be a number from 0"),
        (("row", "T03", "quantity"), 0, "it must be a whole number from 1 to 1000."),
        (("lay", "1", "card_size_mm"), [49, 168], "it must be a number from 50 to 1000 mm."),
        (("lay", "1", "camera_height_mm"), 20_001, "a number from 50 to 20000 mm."),
    ],
)
def test_a_value_out_of_range_is_told_with_its_range(
    folder: JobFolder, path: tuple[str, ...], now: object, words: str
) -> None:
    """The ranges of docs/reference/ranges.md, as for options and files."""
    with pytest.raises(TracerError) as refused:
        make_edit(folder, Edit("x", "", (Change(path, None, now),)))
    assert words in refused.value.sentence


def test_rows_are_found_by_place_in_any_order(folder: JobFolder) -> None:
    text = folder.read("tools.csv").decode().splitlines()
    shuffled = "\r\n".join([text[0], *sorted(text[1:], reverse=True)]) + "\r\n"
    with folder.locked():
        folder.commit({"tools.csv": shuffled.encode()})
    make_edit(folder, height(folder, 21.0, 22.0))
    assert row_height(folder, "cable cutters") == 22.0


def test_edits_read_back_and_damage_is_told() -> None:
    edits = Edits((Edit("cell", "T01/name", (Change(("row", "T01", "name"), None, "Öl"),)),), 1)
    assert load_edits(dump_edits(edits)) == edits
    assert load_edits(dump_edits(Edits())) == Edits()
    with pytest.raises(TracerError) as damaged:
        load_edits(dump_edits(edits).replace(b'"path"', b'"road"'))
    assert damaged.value.slug == "job-damaged"


def test_the_panel_plan_is_edited_and_undone_like_everything_else(folder: JobFolder) -> None:
    arrange_job(folder)
    before = plan_in_force(folder, None)
    move = Change(("plan", "moves", "T05"), None, {"x_mm": 44.5, "y_mm": 95.0})
    make_edit(folder, Edit("move", "T05", (move,)))
    arrange_job(folder)
    panel = load_panel(folder.read("panel.json"), "panel.json").panel
    x0, y0, x1, y1 = next(p for p in panel.pockets if p.pocket_id == "T05").region.bounds
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((44.5, 95.0), abs=0.01)
    with pytest.raises(TracerError) as conflict:
        make_edit(folder, Edit("move", "T05", (move,)))  # it has a place by now
    assert conflict.value.slug == "edit-conflict"
    undo(folder)
    assert plan_in_force(folder, None) == before
    for path, now in (
        (("plan", "moves", "T05"), {"x": 1}),
        (("plan", "moves", "T05"), 7),
        (("plan", "nothing"), 7),
        (("plan", "fit_probability"), "high"),
        (("plan", "tools", "T05", "depth_mm"), 3),
    ):
        with pytest.raises(TracerError) as refused:
            make_edit(folder, Edit("x", "", (Change(path, None, now),)))
        assert refused.value.slug in {"edit-refused", "edit-conflict"}
    assert plan_in_force(folder, None) == before
