"""One small panel and its photos, rendered once for all tests that look at them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from tests.inspection.caster import has_compiler
from tests.inspection.panels import SAMPLES, panel_of_scene
from tests.inspection.photo import PanelPhoto, Shot, take
from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan
from tracer.project.panel_file import PanelFile, dump_panel
from tracer.project.schema import JobRecord, dump_job
from tracer.project.store import JobFolder

__all__ = ["GONE", "bench_panel", "needs_compiler", "panel_photo", "write_panel_job"]

needs_compiler = pytest.mark.skipif(
    not has_compiler(), reason="photos of panels are rendered by a C++ program"
)
SIZE_PX = (1600, 1200)
#: pockets of the bench panel that are empty in `panel_photo` with ``some_gone``
GONE = ("T03", "T06")


@cache
def bench_panel(foam: str = "grey on yellow") -> Panel:
    """Eight spanners and small tools."""
    return panel_of_scene(SAMPLES / "hard", foam)


@cache
def panel_photo(
    *,
    some_gone: bool = False,
    all_gone: bool = False,
    tilt_deg: float = 18.0,
    marks: bool = False,
    foam: str = "grey on yellow",
    wrong: str = "",
    things: tuple[str, ...] = (),
    seed: int = 3,
) -> PanelPhoto:
    """A photo of the bench panel from about 0.85 m."""
    states = dict.fromkeys(GONE, "missing") if some_gone else {}
    if all_gone:
        states = {p.pocket_id: "missing" for p in bench_panel().pockets}
    if wrong:
        states[wrong] = "turned"
    shot = Shot(size_px=SIZE_PX, distance_mm=850, tilt_deg=tilt_deg, aside_deg=70, roll_deg=4)
    return take(bench_panel(foam), states, shot, seed, marks=marks, things=things, looks_seed=5)


def write_panel_job(path: Path, panel: Panel) -> JobFolder:
    """A job that holds a panel."""
    folder = JobFolder(path)
    with folder.locked():
        folder.commit(
            {
                "job.json": dump_job(JobRecord(lays=())),
                "panel.json": dump_panel(PanelFile(PanelPlan(title=panel.title), panel)),
            }
        )
    return folder
