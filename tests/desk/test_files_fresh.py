"""Files that no longer belong to the job as it is: known by what they were made from."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from tests.workflows.arranging.test_arrange import OUTLINES, write_job
from tracer.desk.cutting import cuts_again
from tracer.desk.files import BEFORE, file_bytes, file_records, folder_zip
from tracer.errors import TracerError
from tracer.export.machine.profiles import read_machine
from tracer.project.edits_file import Change, Edit
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_job import cut_job
from tracer.workflows.cutting.freshness import cut_source, freshness
from tracer.workflows.editing.job_edits import make_edit, undo
from tracer.workflows.job.job_files import inputs_digest

OPTIONS = CutOptions(machine=read_machine("drag-knife"), paper="a3")
MOVE = Edit("move", "T01", (Change(("plan", "moves", "T01"), None, {"x_mm": 70, "y_mm": 90}),))


def lay_job(path: Path) -> JobFolder:
    """Two tools of one lay, up to date."""
    folder = write_job(path, OUTLINES[:2])
    lay = LayRecord(photos=(PhotoRecord("photos/lay1-1.jpg", "lay.jpg", "0" * 16),))
    lay = replace(lay, traced=inputs_digest(lay, 1, ToolList()))
    with folder.locked():
        folder.commit({"job.json": dump_job(JobRecord(lays=(lay,)))})
    return folder


@pytest.fixture(scope="module")
def cut_once(tmp_path_factory: pytest.TempPathFactory) -> JobFolder:
    folder = lay_job(tmp_path_factory.mktemp("fresh") / "bench.job")
    arrange_job(folder)
    cut_job(folder, OPTIONS)
    return folder


@pytest.mark.parametrize("panel", [b"[]", b"7", b"{", b"[" * 100_000, b"\xff"])
def test_a_panel_that_is_none_makes_its_files_old_and_no_mistake(
    panel: bytes, tmp_path: Path
) -> None:
    folder = lay_job(tmp_path / "bench.job")
    arrange_job(folder)
    before = cut_source(folder)
    (folder.path / "panel.json").write_bytes(panel)
    assert cut_source(folder) not in {"", before}


def old_in(folder: JobFolder) -> set[str]:
    return {r["name"] for r in file_records(folder) if r["old"]}


def test_a_change_makes_what_follows_from_it_old_and_undoing_it_fresh(cut_once: JobFolder) -> None:
    folder = cut_once
    cut_files = {
        p.relative_to(folder.path).as_posix()
        for p in (folder.path / "cut").rglob("*")
        if p.is_file()
    }
    assert cut_files and old_in(folder) == set()
    make_edit(folder, MOVE)
    assert old_in(folder) == {*cut_files, "panel.json", "pictures/panel.png"} | {
        "pictures/panel-checks.png"
    }
    arrange_job(folder)  # the panel is new, the cut is not
    assert old_in(folder) == cut_files
    (again,) = cuts_again(folder)
    assert (again.machine.key, again.paper) == ("drag-knife", "a3")

    dxf = next(r for r in file_records(folder) if r["name"].endswith(".dxf"))
    with pytest.raises(TracerError) as refused:
        file_bytes(folder, dxf["file"], old_too=False)
    assert refused.value.slug == "file-old"
    assert file_bytes(folder, dxf["file"])[0]  # to look at, or for who says so
    with pytest.raises(TracerError):
        folder_zip(folder)
    with zipfile.ZipFile(io.BytesIO(folder_zip(folder, old_too=True))) as archive:
        assert {n for n in archive.namelist() if n.startswith(BEFORE)} == {
            f"{BEFORE}/{n}" for n in cut_files
        }

    undo(folder)
    arrange_job(folder)
    assert old_in(folder) == set()


def test_a_tool_that_changed_makes_the_panel_old(tmp_path: Path) -> None:
    folder = lay_job(tmp_path / "bench.job")
    arrange_job(folder)
    assert not freshness(folder).panel_old
    for other in (
        replace(OUTLINES[0], name="other name"),
        replace(OUTLINES[0], height_mm=31.0),
        replace(OUTLINES[0], revision=2),
    ):
        content = OutlinesFile(
            (other, OUTLINES[1]), (), (), {o.outline_id: 1 for o in OUTLINES[:2]}
        )
        with folder.locked():
            folder.commit({"outlines.json": dump_outlines(content)})
        assert freshness(folder).panel_old


def test_a_cut_that_does_not_say_what_it_was_made_from_is_taken_for_old(
    cut_once: JobFolder,
) -> None:
    folder = cut_once
    found = next((folder.path / "cut").rglob("*cut.json"))
    name = found.relative_to(folder.path).as_posix()
    before = folder.read(name)
    body = json.loads(before)
    del body["made_from"]
    (folder.path / name).write_text(json.dumps(body))
    assert name in old_in(folder)
    (folder.path / name).write_bytes(before)
    assert old_in(folder) == set()
