"""The files of a patch on a panel, read by GDAL: in the panel's frame, no foam cut that stays.

What is checked is what the machine would do to a panel that is finished already.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pypdfium2
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.export.readers import Ring, rings_by_gdal
from tests.workflows.arranging.test_arrange import OUTLINES, write_job
from tracer.cli.app import run
from tracer.export.machine.profiles import read_machine
from tracer.panel.fittings.openings import opening
from tracer.panel.swap.old_pocket import PatchRules, Remedy
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.panel_file import PanelFile, load_panel
from tracer.project.schema import KeptOutline, dump_job, load_job
from tracer.project.store import JobFolder
from tracer.workflows.swapping.pocket_change import PocketChange, panel_change
from tracer.workflows.swapping.swap import area_change
from tracer.workflows.swapping.swap_documents import swap_documents


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    write_job(tmp_path / "bench.job")
    run(["arrange", "bench", "--bay", "520x300", "-q"])
    return JobFolder(tmp_path / "bench.job")


def changed(job: JobFolder, machine: str = "router") -> tuple[PanelFile, PocketChange, dict]:  # type: ignore[type-arg]
    """The second tool becomes a stubby one, laid where the old one lay."""
    file = load_panel(job.read("panel.json"), "panel.json")
    old = OUTLINES[1]
    stub = box(-25, -30, 25, 30).buffer(3)
    middle = old.region.centroid
    region = affinity.translate(stub, middle.x, middle.y)
    new = replace(old, region=Polygon(region.exterior), revision=old.revision + 1)
    moved = panel_change(job, file, old, new, read_machine(machine), PatchRules())
    change = area_change(old.region, new.region)
    papers = swap_documents(old, moved, change, "centre", 2, read_machine(machine), "")
    return file, moved, papers


def rings(papers: dict[str, bytes], name: str, folder: Path) -> list[Ring]:
    return rings_by_gdal(papers[name], folder)


def test_the_edge_of_the_panel_is_not_cut_again(job: JobFolder, tmp_path: Path) -> None:
    _, moved, papers = changed(job)
    assert moved.patch.remedy is Remedy.PLUG
    for name in ("1-opening.dxf", "2-piece.dxf", "3-pocket.dxf"):
        assert "sheet-edge" not in {r.layer for r in rings(papers, name, tmp_path)}, name
        assert (tmp_path / "p.dxf").write_bytes(papers[name])
        assert run(["check", str(tmp_path / "p.dxf")]) == 0


def test_files_stand_in_the_frame_of_the_panel_with_two_marks_to_check(
    job: JobFolder, tmp_path: Path
) -> None:
    file, moved, papers = changed(job)
    old = next(p for p in file.panel.pockets if p.pocket_id == "T02")
    (opening,) = rings(papers, "1-opening.dxf", tmp_path)
    assert Polygon(opening.points).buffer(0.1).contains(old.region)
    for name, place in moved.sheet.marks:
        walls = [p.region for p in file.panel.pockets] + [
            n.region for p in file.panel.pockets for n in p.notches
        ]
        assert min(shapely.distance(Point(place), w.boundary) for w in walls) < 0.05, name
    with pypdfium2.PdfDocument(papers["steps.pdf"]) as document:
        text = " ".join(document[0].get_textpage().get_text_range().split())
    assert "lower left corner of the panel" in text
    assert f"{moved.sheet.marks[0][1][0]:.1f} to the right" in text


def test_the_plug_is_as_thick_as_the_pocket_is_deep_and_the_floor_has_its_insert(
    job: JobFolder, tmp_path: Path
) -> None:
    file, moved, papers = changed(job)
    old = next(p for p in file.panel.pockets if p.pocket_id == "T02")
    assert not old.through
    with pypdfium2.PdfDocument(papers["steps.pdf"]) as document:
        text = " ".join(document[0].get_textpage().get_text_range().split())
    assert f"{old.cut_depth_mm:g} mm thick: as deep as the old pocket" in text
    assert {r.layer for r in rings(papers, "1-opening.dxf", tmp_path)} == {
        f"pocket-{old.cut_depth_mm:.1f}"
    }
    assert moved.insert is not None
    (insert,) = rings(papers, "4-insert.dxf", tmp_path)
    assert insert.layer == "insert"
    assert Polygon(insert.points).area == pytest.approx(moved.insert.region.area, rel=0.01)


@pytest.mark.parametrize("machine", ["co2-laser", "router"])
def test_walls_of_a_patch_run_left(machine: str, job: JobFolder, tmp_path: Path) -> None:
    _, _, papers = changed(job, machine)
    for name in (n for n in papers if n.endswith(".dxf")):
        assert all(r.signed_area > 0 for r in rings(papers, name, tmp_path)), name


def test_a_pocket_of_a_patch_holds_at_the_tight_face_as_any_other(job: JobFolder) -> None:
    file = load_panel(job.read("panel.json"), "panel.json")
    old, router = OUTLINES[1], read_machine("router")
    new = replace(old, revision=old.revision + 1)
    # a coupon's fit of 0.2 mm, and walls that run in by 0.4 mm a side over 10 mm
    tapered = replace(router, fit_offset_mm=0.2, taper_mm_per_10mm=0.4)
    plain, wide = (
        panel_change(job, file, old, new, machine, PatchRules()) for machine in (router, tapered)
    )
    usual, wider = (change.parts[0][1].boundary for change in (plain, wide))
    asked = 0.2 + 0.4 * (plain.depth_mm or router.max_depth_mm) / 10
    # offset corners are round: the farthest point of the wider wall is no farther
    assert shapely.hausdorff_distance(usual, wider) == pytest.approx(asked, abs=0.05)
    assert wide.old.area > plain.old.area


def test_a_pocket_that_grew_into_its_neighbours_is_told_with_the_least_change(
    job: JobFolder,
) -> None:
    """A tool much wider: what is proposed, written into the plan, leaves foam that holds."""
    file = load_panel(job.read("panel.json"), "panel.json")
    old = OUTLINES[1]
    wide = affinity.scale(old.region, 5.0, 1.0)
    new = replace(old, region=Polygon(wide.exterior), revision=old.revision + 1)
    router = read_machine("router")
    moved = panel_change(job, file, old, new, router, PatchRules())
    (told,) = [c for c in moved.checks if c.slug == "swap-needs-room"]
    assert told.value is not None and told.value < 10 == told.limit
    plan = job.read("panel.toml").decode("utf-8")
    lines = told.remedy.split("write ", 1)[1].split(" at the top", 1)[0]
    (job.path / "panel.toml").write_text(f"{lines}\n{plan}", "utf-8")
    outlines = [new if o is old else o for o in OUTLINES]
    content = OutlinesFile(tuple(outlines), (), (), {o.outline_id: 1 for o in outlines})
    (job.path / "outlines.json").write_bytes(dump_outlines(content))
    run(["arrange", "bench", "-q"])
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    openings = [opening(p) for p in panel.pockets]
    gaps = [a.distance(b) for i, a in enumerate(openings) for b in openings[:i]]
    # finger notches are set anew where pockets have moved: a millimetre of them is allowed
    assert min(gaps) >= 10 - 1.0
    same = panel_change(job, file, old, replace(old, revision=2), router, PatchRules())
    assert "swap-needs-room" not in {c.slug for c in same.checks}


def test_arranging_again_after_a_swap_leaves_cut_pockets_where_they_are(job: JobFolder) -> None:
    file, moved, _ = changed(job)
    assert moved.panel is not None
    record = load_job(job.read("job.json"), "job.json")
    with job.locked():
        from tracer.project.outlines_file import dump_outlines, load_outlines
        from tracer.project.panel_file import dump_panel

        content = load_outlines(job.read("outlines.json"), "outlines.json")
        region = affinity.translate(
            box(-25, -30, 25, 30), *content.outlines[1].region.centroid.coords[0]
        )
        # far out on one side: the box round all tools is another one
        region = affinity.translate(region, 30, 40)
        new = replace(content.outlines[1], region=region, revision=2)
        outlines = (content.outlines[0], new, *content.outlines[2:])
        kept = {"T02": KeptOutline((), "history/r1/outlines.json")}
        job.commit(
            {
                "outlines.json": dump_outlines(replace(content, outlines=outlines)),
                "job.json": dump_job(replace(record, kept=kept)),
                "panel.json": dump_panel(file),
            }
        )
    run(["arrange", "bench", "-q"])
    after = load_panel(job.read("panel.json"), "panel.json").panel
    for old, now in zip(file.panel.pockets, after.pockets, strict=True):
        if old.pocket_id != "T02":
            assert now.region.hausdorff_distance(old.region) < 0.02
    again = job.read("panel.json")
    run(["arrange", "bench", "-q"])
    assert load_panel(job.read("panel.json"), "panel.json").panel.revision == after.revision
    assert job.read("panel.json") == again
    # who asks for another placement gets one
    run(["arrange", "bench", "--anchor", "margin", "-q"])
    moved_all = load_panel(job.read("panel.json"), "panel.json").panel
    assert moved_all.pockets[0].region.hausdorff_distance(after.pockets[0].region) > 5
