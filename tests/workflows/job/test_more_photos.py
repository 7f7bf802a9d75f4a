"""Adding a photo to a lay that was traced before, the whole way on small rendered photos."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from shapely.affinity import translate
from shapely.geometry import box

from tests.cli.photos import SPANNER, jpeg
from tests.scene_maker import Scene, make_scene, make_view
from tests.scene_parts import Look, Tool
from tracer.errors import TracerError, UsageError
from tracer.model.lay_settings import LaySettings, Separation
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.job.trace_job import JobTrace, Mode, PhotoFile
from tracer.workflows.job.trace_photos import trace_photos

BLOCK = box(320, 140, 400, 190)
TOOLS = (Tool(SPANNER, 6.0, "blue"), Tool(BLOCK, 30.0, "red"))
MOVED = (
    Tool(translate(SPANNER, 60, 40), 6.0, "blue"),
    Tool(translate(BLOCK, -40, 60), 30.0, "red"),
)
PLACES = {
    "middle": (350.0, 200.0, 2.0, 0.0),
    "left": (300.0, 190.0, 16.0, 0.0),
    "right": (400.0, 210.0, 16.0, 180.0),
    "near": (350.0, 170.0, 14.0, 90.0),
}
SETTINGS = LaySettings(separation=Separation.CLASSICAL)


@cache
def shot(place: str, moved: bool = False) -> PhotoFile:
    x, y, tilt, towards = PLACES[place]
    view = make_view(above_mm=(x, y), tilt_deg=tilt, tilt_towards_deg=towards)
    scene: Scene = make_scene(MOVED if moved else TOOLS, look=Look(seed=1), view=view)
    return PhotoFile(f"{place}.jpg", jpeg(scene))


@pytest.fixture
def job(tmp_path) -> Callable[[], JobFolder]:
    """A job of two photos with a name typed, made once and put down anew for every test."""
    for name, data in _first().items():
        path = tmp_path / "bench.job" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return JobFolder(tmp_path / "bench.job")


@cache
def _first() -> dict[str, bytes]:
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = JobFolder(Path(name) / "bench.job")
        trace_photos(folder, [shot("middle"), shot("left")], settings=SETTINGS)
        rows = parse_tool_list(folder.read("tools.csv"), "tools.csv").rows
        from dataclasses import replace

        named = ToolList(tuple(replace(r, name=f"tool {k}") for k, r in enumerate(rows)))
        (folder.path / "tools.csv").write_bytes(format_tool_list(named))
        trace_photos(folder, [])
        paths = [p for p in folder.path.rglob("*") if p.is_file() and p.name != ".lock"]
        return {p.relative_to(folder.path).as_posix(): p.read_bytes() for p in paths}


def more(folder: JobFolder, *files: PhotoFile) -> JobTrace:
    return trace_photos(folder, files, mode=Mode(more=True))


def content(folder: JobFolder) -> dict[str, bytes]:
    return {
        p.relative_to(folder.path).as_posix(): p.read_bytes()
        for p in folder.path.rglob("*")
        if p.is_file() and p.name != ".lock"
    }


def test_names_and_numbers_stay_and_no_tool_gets_less_sure(job) -> None:
    from tracer.project.outlines_file import load_outlines

    before = {o.outline_id: o for o in load_outlines(job.read("outlines.json"), "o").outlines}
    done = more(job, shot("right"))
    after = {o.outline_id: o for o in done.outlines}
    assert {k: o.name for k, o in after.items()} == {k: o.name for k, o in before.items()}
    assert len(before) == 2
    for key, outline in after.items():
        assert outline.sigma_mm <= before[key].sigma_mm + 0.02  # the cameras are a little other
    record = load_job(job.read("job.json"), "job.json")
    assert [p.added for p in record.lays[0].photos] == [0, 0, 1]
    again = trace_photos(job, [])
    assert [o.sigma_mm for o in again.outlines] == [o.sigma_mm for o in done.outlines]
    with pytest.raises(UsageError, match=r"has right\.jpg already"):
        more(job, shot("right"))


def test_a_photo_with_the_tools_moved_changes_nothing(job) -> None:
    before = content(job)
    with pytest.raises(TracerError) as caught:
        more(job, shot("right", moved=True))
    assert caught.value.slug == "lay-changed"
    assert content(job) == before


def test_a_photo_without_cards_is_named_and_the_other_used(job) -> None:
    bare = make_scene(TOOLS, cards=(), look=Look(seed=1))
    done = more(job, PhotoFile("bare.jpg", jpeg(bare)), shot("near"))
    (told,) = [c for c in done.checks if c.slug == "photo-left-out"]
    assert told.sentence.startswith("bare.jpg was left out")
    record = load_job(job.read("job.json"), "job.json")
    assert [p.name for p in record.lays[0].photos] == ["middle.jpg", "left.jpg", "near.jpg"]
    before = content(job)
    with pytest.raises(TracerError, match=r"bare\.jpg was not added"):
        more(job, PhotoFile("bare.jpg", jpeg(bare)))
    assert content(job) == before


def test_a_job_must_be_there_and_the_lay_too(tmp_path, job) -> None:
    with pytest.raises(UsageError, match="no job"):
        more(JobFolder(tmp_path / "none.job"), shot("near"))
    with pytest.raises(UsageError, match="no lay 3"):
        trace_photos(job, [shot("near")], mode=Mode(more=True, lay=3))
