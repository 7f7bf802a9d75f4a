"""Undo as the true inverse of edits: the very bytes come back, whatever was done in between."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.desk.bench import seed_job
from tracer.errors import TracerError
from tracer.project.edits_file import EDITS_NAME, Change, Edit, load_edits
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.editing.job_edits import inputs_of, make_edit, redo, step_to, undo
from tracer.workflows.editing.job_inputs import shown_cell

INPUTS = ("job.json", "tools.csv", "panel.toml")
TOOLS = ("T01", "T02", "T03", "T04")


def state(folder: JobFolder) -> dict[str, bytes | None]:
    return {n: folder.read(n) if folder.has(n) else None for n in INPUTS}


def by_hand(folder: JobFolder) -> None:
    """The tool list as a person keeps it: semicolons, commas, notes, no mass, a row fewer."""
    rows = parse_tool_list(folder.read("tools.csv"), "tools.csv").rows
    lines = ["# drawer by the window", "Name;X_px;y_px;height_mm;bought"]
    lines += [
        f'"{r.name}"; {r.x_px:.2f} ;{r.y_px:.1f};{(r.height_mm or 0):.2f};yes'.replace(".", ",")
        for r in rows[1:]
    ]
    (folder.path / "tools.csv").write_bytes("\r\n".join([*lines, "# end"]).encode("cp1252"))


cells = st.one_of(
    st.tuples(st.just("name"), st.sampled_from(["pliers", "Öler", 'a "b"; c', None])),
    st.tuples(st.just("height_mm"), st.sampled_from([3.0, 12.5, None])),
    st.tuples(st.just("mass_kg"), st.sampled_from([0.2, None])),
)
corrections = st.sampled_from(
    [("drop", [50.0, 60.0]), ("drop", [70.5, 60.0]), ("split", [[10.0, 10.0], [40.0, 10.0]])]
)
moves = st.sampled_from([{"x_mm": 10.0, "y_mm": 20.0}, {"x_mm": 30.0, "y_mm": 20.0}, None])
steps = st.one_of(
    st.tuples(st.just("cell"), st.sampled_from(TOOLS), cells),
    st.tuples(st.just("correct"), corrections),
    st.tuples(st.just("withdraw"), st.integers(0, 5)),
    st.tuples(st.just("move"), st.sampled_from(TOOLS), moves),
)


def edit_of(folder: JobFolder, step: tuple[Any, ...]) -> Edit | None:
    """The edit that the page would send, from what it shows; None where there is nothing to do."""
    inputs = inputs_of(folder)
    photo = inputs.record.lays[0].photos[0]
    match step:
        case ("cell", tool, (field, now)):
            index = inputs.row_of[tool]
            row = None if index is None else inputs.tools.rows[index]
            was = shown_cell(row, field, tool)
            path = ("row", tool, field)
        case ("correct", (kind, value)):
            path, was, now = ("photo", photo.photo_id, kind), [], [value]
        case ("withdraw", place):
            kept = photo.corrections.drop
            if not kept:
                return None
            path, was, now = ("photo", photo.photo_id, "drop"), [kept[place % len(kept)]], []
        case (_, tool, now):
            plan = inputs.plan
            moved = [] if plan is None else [m for m in plan.moves if m.pocket_id == tool]
            was = {"x_mm": moved[0].x_mm, "y_mm": moved[0].y_mm} if moved else None
            path = ("plan", "moves", tool)
    return None if was == now else Edit(step[0], "", (Change(path, was, now),))


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(st.lists(steps, min_size=2, max_size=6), st.booleans(), st.data())
def test_any_edits_undone_give_the_same_bytes(
    sequence: list[tuple[Any, ...]], own_list: bool, data: st.DataObject
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = seed_job(Path(name) / "bench.job", most=len(TOOLS))
        if own_list:
            by_hand(folder)
        states = [state(folder)]
        for step in sequence:
            edit = edit_of(folder, step)
            if edit is not None:
                make_edit(folder, edit)
                states.append(state(folder))
        for k in range(len(states) - 2, -1, -1):
            undo(JobFolder(folder.path))
            assert state(folder) == states[k]
        for k in range(1, len(states)):
            redo(JobFolder(folder.path))
            assert state(folder) == states[k]
        k = data.draw(st.integers(0, len(states) - 1))
        step_to(folder, k)
        assert state(folder) == states[k]


def test_a_file_written_by_another_keeps_what_the_other_wrote(tmp_path: Path) -> None:
    folder = seed_job(tmp_path / "bench.job")
    make_edit(folder, Edit("cell", "", (Change(("row", "T03", "height_mm"), 21.0, 22.0),)))
    text = folder.read("tools.csv").decode()
    (folder.path / "tools.csv").write_bytes(("# mine\r\n" + text).encode())
    undo(folder)
    now = folder.read("tools.csv").decode()
    assert now.startswith("# mine")
    rows = parse_tool_list(now.encode(), "tools.csv").rows
    assert next(r.height_mm for r in rows if r.name == "cable cutters") == 21.0


def test_a_withdrawn_correction_comes_back_where_it_was(tmp_path: Path) -> None:
    """The order of corrections is part of what they mean: a later stroke goes over an earlier."""
    folder = seed_job(tmp_path / "bench.job")
    photo = load_job(folder.read("job.json"), "job.json").lays[0].photos[0].photo_id
    path = ("photo", photo, "drop")
    a, b = [50.0, 60.0], [70.0, 60.0]
    for point in (a, b):
        make_edit(folder, Edit("drop", "", (Change(path, [], [point]),)))
    before = folder.read("job.json")
    make_edit(folder, Edit("withdraw", "", (Change(path, [a], []),)))
    undo(folder)
    assert folder.read("job.json") == before


def test_the_number_that_a_run_writes_is_no_name(tmp_path: Path) -> None:
    """Taking a first name back leaves the name empty, not filled with the tool's number."""
    folder = seed_job(tmp_path / "bench.job")
    make_edit(folder, Edit("cell", "", (Change(("row", "T03", "name"), "cable cutters", None),)))
    inputs = inputs_of(folder)
    index = inputs.row_of["T03"]
    assert index is not None and inputs.tools.rows[index].name == "T03"
    assert shown_cell(inputs.tools.rows[index], "name", "T03") is None
    make_edit(folder, Edit("cell", "", (Change(("row", "T03", "name"), None, "pliers"),)))
    undo(folder)
    assert shown_cell(inputs_of(folder).tools.rows[index], "name", "T03") is None


def test_stepping_past_the_ends_is_refused(tmp_path: Path) -> None:
    folder = seed_job(tmp_path / "bench.job")
    make_edit(folder, Edit("cell", "", (Change(("row", "T03", "height_mm"), 21.0, 22.0),)))
    for done, slug in ((-1, "nothing-to-undo"), (2, "nothing-to-redo")):
        with pytest.raises(TracerError) as refused:
            step_to(folder, done)
        assert refused.value.slug == slug
    assert load_edits(folder.read(EDITS_NAME)).done == 1
