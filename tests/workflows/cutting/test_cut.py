"""From outlines to the files of a sheet, and the same through a job folder and the command line."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.export.drawings import outline, regions
from tracer.cli.app import run
from tracer.errors import TracerError, UsageError
from tracer.export.dxf.read import read_dxf
from tracer.export.machine.checks import job_cautions, material_named
from tracer.export.machine.profiles import read_machine
from tracer.export.paper.verify_template import page_paths_mm
from tracer.model.outline import Outline
from tracer.model.panel_plan import FitClass
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.schema import JobRecord, LayRecord, dump_job
from tracer.project.store import JobFolder, job_path
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.cutting.cut import CutOptions, cut_lay
from tracer.workflows.cutting.cut_job import typed_depths

KNIFE = CutOptions(machine=read_machine("oscillating-knife"), fit=FitClass.EASY)


def lay() -> list[Outline]:
    return [outline(region, i) for i, region in enumerate(regions().values(), 1)]


def test_all_files_of_a_sheet() -> None:
    done = cut_lay(lay(), KNIFE, name="bench")
    size = f"{done.cut.size_mm[0]:.0f}x{done.cut.size_mm[1]:.0f}"
    assert set(done.files) == {
        f"unknown-30mm/bench-front-30mm-{size}.dxf",
        f"unknown-30mm/bench-front-30mm-{size}.svg",
        f"unknown-30mm/bench-front-30mm-{size}-reference.dxf",
        f"unknown-30mm/bench-front-30mm-{size}-picture.png",
        f"unknown-30mm/bench-front-30mm-{size}-template-a4.pdf",
        "bench-cut.json",
    }
    record = json.loads(done.files["bench-cut.json"])
    assert sorted(record["files"] + ["bench-cut.json"]) == sorted(done.files)
    # nothing in the cutting file that is not to be cut
    layers = {
        c.layer for c in read_dxf(done.files[f"unknown-30mm/bench-front-30mm-{size}.dxf"]).curves
    }
    assert layers == {"through", "sheet-edge"}


def test_the_sheet_lies_around_the_tools_as_photographed() -> None:
    done = cut_lay(lay(), replace(KNIFE, edge_mm=25.0), name="bench")
    for pocket in done.pockets:
        x0, y0, x1, y1 = pocket.region.bounds
        assert x0 - done.cut.origin_mm[0] >= 25
        assert done.cut.origin_mm[1] + done.cut.size_mm[1] - y1 >= 25
        assert x1 <= done.cut.origin_mm[0] + done.cut.size_mm[0] - 25
        assert y0 >= done.cut.origin_mm[1] + 25
    # distances between tools are those of the lay: only one shift was made
    wells = {p.pocket_id: p.region.centroid for p in done.pockets}
    apart = wells["T04"].distance(wells["T03"])
    assert apart == pytest.approx(Point(380, 140).distance(Point(260, 125)), abs=0.1)


def test_the_same_bytes_every_time() -> None:
    assert cut_lay(lay(), KNIFE, name="b").files == cut_lay(lay(), KNIFE, name="b").files


def test_a_surer_fit_is_a_wider_pocket() -> None:
    areas = [
        cut_lay(lay()[1:2], replace(KNIFE, fit_probability=q), name="b").pockets[0].region.area
        for q in (0.5, 0.9, 0.99)
    ]
    assert areas == sorted(areas)
    assert areas[2] > areas[0] + 50


@pytest.mark.parametrize("straight", [False, True])
def test_the_file_itself_keeps_the_promise(straight: bool) -> None:
    # read back by the product's reader: the opening in the file holds outline + fit, chords or arcs
    tool = lay()[1]
    done = cut_lay([tool], replace(KNIFE, straight=straight, fit_probability=0.5), name="b")
    data = next(d for n, d in done.files.items() if n.endswith(".dxf") and "reference" not in n)
    curve = next(c for c in read_dxf(data).curves if c.layer == "through")
    opening = affinity.translate(Polygon(curve.points), *done.cut.origin_mm)
    # lines and arcs lie to both sides of the wall asked for, within their tolerance
    rule = done.pockets[0].rule
    promised = tool.region.buffer(rule.fit_mm - rule.tolerance_mm - 0.06, quad_segs=64)
    assert promised.difference(opening).area < 1e-3
    assert straight == (not done_has_arcs(data))


def done_has_arcs(data: bytes) -> bool:
    """Whether any bulge (group 42 of an entity) is written."""
    entities = data[data.index(b"ENTITIES") :]
    return b"\n 42\n" in entities[: entities.index(b"ENDSEC")]


def test_the_maker_s_own_depths_and_offset_count() -> None:
    machine = replace(read_machine("oscillating-knife"), fit_offset_mm=0.4)
    options = replace(KNIFE, depth_mm=10.0, depths_mm={"T02": 15.0})
    done = cut_lay(lay(), options, name="b")
    assert [p.rule.depth_mm for p in done.pockets] == [10.0, 15.0, 10.0, 10.0]
    looser = cut_lay(lay(), replace(options, machine=machine), name="b")
    for a, b in zip(done.pockets, looser.pockets, strict=True):
        assert b.rule.fit_mm - a.rule.fit_mm == pytest.approx(0.4)


def test_what_is_not_whole_is_left_out_and_said() -> None:
    first, second, *rest = lay()
    cut_off, cable = replace(first, cut_by_frame=True), replace(second, cable=True)
    done = cut_lay([cut_off, cable, *rest], KNIFE, name="b")
    assert [p.pocket_id for p in done.pockets] == ["T03", "T04"]
    assert sum(c.slug == "outline-not-cut" for c in done.checks) == 2
    with pytest.raises(TracerError) as caught:
        cut_lay([cut_off], KNIFE, name="b")
    assert caught.value.slug == "nothing-to-cut"


def test_a_pocket_that_would_be_too_loose_is_cut_at_the_limit_and_said() -> None:
    tool = outline(box(0, 0, 80, 20))
    tool = replace(tool, sigma_ring_mm=np.full(len(tool.sigma_ring_mm), 2.0), sigma_mm=2.0)
    done = cut_lay([tool], replace(KNIFE, loosest_mm=1.5), name="b")
    (check,) = (c for c in done.checks if c.slug == "pocket-at-limit")
    assert check.value is not None and check.value > 1.5
    assert "two more photos" in check.remedy
    # within the tolerance of lines and arcs, and the cutter's corners only take away
    assert done.pockets[0].region.difference(box(0, 0, 80, 20).buffer(1.5 + 0.22)).area < 0.01
    with pytest.raises(UsageError) as caught:
        cut_lay([tool], replace(KNIFE, loosest_mm=0.1), name="b")
    assert caught.value.slug == "loosest-below-fit"


def test_thin_webs_are_told_with_their_place() -> None:
    a, b = outline(box(0, 0, 50, 20), 1), outline(box(0, 27, 50, 40), 2)
    found = [c for c in cut_lay([a, b], KNIFE, name="b").checks if c.slug == "web-too-thin"]
    assert len(found) == 1
    assert found[0].where_mm is not None
    assert 20 < found[0].where_mm[1] < 27
    apart = replace(b, region=affinity.translate(b.region, 0, 30))
    assert "web-too-thin" not in {c.slug for c in cut_lay([a, apart], KNIFE, name="b").checks}


@pytest.mark.parametrize("change", [{"thickness_mm": 0.0}, {"depth_mm": -3.0}, {"edge_mm": -1.0}])
def test_lengths_must_be_lengths(change: dict[str, float]) -> None:
    with pytest.raises(UsageError) as caught:
        replace(KNIFE, **change)
    assert caught.value.slug == "cut-length-wrong"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job of one lay, current folder and settings folder in a place of their own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path / "settings"))
    folder = JobFolder(job_path("bench"))
    outlines = tuple(lay()[1:])
    content = OutlinesFile(outlines, lay_of={o.outline_id: 1 for o in outlines})
    with folder.locked():
        folder.commit(
            {
                "job.json": dump_job(JobRecord(lays=(LayRecord(photos=()),))),
                "outlines.json": dump_outlines(content),
            }
        )
    return folder.path


def test_the_command_cuts_a_job(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tools = "name,x_px,y_px,height_mm,depth_mm\ntool 2,20,5,12,18\n,30,5,12,9\n"
    (job / "tools.csv").write_text(tools)
    assert run(["cut", "bench", "--machine", "router", "--depth", "12mm", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["machine"] == "router"
    assert record["sheets"][0]["pockets"] == 3
    assert record["cautions"]
    for name in record["files"]:
        assert (job / name).stat().st_size > 100
    dxf = next(n for n in record["files"] if n.endswith(".dxf") and "reference" not in n)
    layers = {c.layer for c in read_dxf((job / dxf).read_bytes()).curves}
    # depths typed in the tool list, by name and by point, come before the common one
    assert layers == {"pocket-18.0", "pocket-9.0", "pocket-12.0", "sheet-edge"}
    assert run(["check", str(job / dxf)]) == 0


def written(job: Path) -> dict[str, bytes]:
    """All files in the folder of cutting files."""
    cut = job / "cut"
    return {p.relative_to(cut).as_posix(): p.read_bytes() for p in cut.rglob("*") if p.is_file()}


def test_other_files_are_only_replaced_when_asked(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["cut", "bench", "--quiet"]) == 0
    first = written(job)
    assert run(["cut", "bench", "--quiet"]) == 0
    assert run(["cut", "bench", "--fit", "loose", "--quiet"]) == 1
    assert "cut-exists" in capsys.readouterr().err
    assert written(job) == first
    assert run(["cut", "bench", "--fit", "loose", "--margin", "50", "--replace", "--quiet"]) == 0
    names = set(written(job))
    # the sheet's size is in the names: files of the old size are gone
    assert len(names) == len(first)
    assert names != set(first)


def test_heat_and_foam_stop_the_command(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["cut", "bench", "--machine", "co2-laser"]) == 1
    assert "material-forbidden" in capsys.readouterr().err
    assert not (job / "cut").exists()
    assert run(["cut", "bench", "--machine", "co2-laser", "--material", "pe", "--through"]) == 0
    assert "material-needs-leave" in capsys.readouterr().err


def test_a_failed_check_is_exit_code_3(job: Path) -> None:
    assert (
        run(
            ["cut", "bench", "--machine", "drag-knife", "--through", "--thickness", "30", "--quiet"]
        )
        == 3
    )


@pytest.mark.parametrize(
    ("arguments", "slug"),
    [
        (["cut", "nojob"], "job-missing"),
        (["cut", "bench", "--machine", "axe"], "machine-unknown"),
        (["cut", "bench", "--material", "cheese"], "material-unknown"),
        (["cut", "bench", "--fit", "tight"], "usage"),
        (["cut", "bench", "--fit-probability", "90"], "number-out-of-range"),
        (["cut", "bench", "--thickness", "thick"], "length-unreadable"),
        (["cut", "bench", "--printed", "86x86"], "printer-scale-wrong"),
        (["cut", "bench", "--paper", "b9"], "paper-unknown"),
        (["cut", "bench", "--dxf-version", "R99"], "usage"),
    ],
)
def test_wrong_use_is_one_sentence_and_code_2(
    job: Path, arguments: list[str], slug: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    error = capsys.readouterr().err
    assert f"[{slug}]" in error
    assert "Traceback" not in error
    assert not (job / "cut").exists()


def test_the_printer_is_typed_once(job: Path, tmp_path: Path) -> None:
    assert run(["cut", "bench", "--printed", "99.5x100.4", "--quiet"]) == 0
    kept = json.loads((tmp_path / "settings" / "printer.json").read_text())
    assert (kept["x_mm"], kept["y_mm"]) == (99.5, 100.4)
    (template,) = (job / "cut" / "oscillating-knife").rglob("*-template-a4.pdf")
    first = template.read_bytes()
    assert run(["cut", "bench", "--quiet"]) == 0
    assert template.read_bytes() == first
    (tmp_path / "settings" / "printer.json").write_text("{")
    assert run(["cut", "bench", "--quiet"]) == 1


def test_coupon_and_reading(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        run(["coupon", "--machine", "co2-laser", "--material", "eva", "--diameter", "24.25"]) == 0
    )
    assert list(tmp_path.glob("coupon-co2-laser-*.dxf"))
    arguments = ["coupon", "--machine", "co2-laser", "--strips", "96.2", "--hole", "4"]
    assert run([*arguments, "--save", "own.toml", "--json"]) == 0
    read = json.loads(capsys.readouterr().out.partition("\n{")[2].join(["{", ""]))
    assert read["kerf_mm"] == pytest.approx(0.38)
    assert read["fit_offset_mm"] == pytest.approx(-0.2 + 0.19)
    machine = read_machine("own.toml")
    assert machine.kerf_mm == pytest.approx(0.38)
    # proven by what was read, and so it says no more that it is not
    assert machine.proved and not read_machine("co2-laser").proved
    eva = material_named("eva")
    assert any("Not yet proven" in w for w in job_cautions(read_machine("co2-laser"), eva))
    assert not any("Not yet proven" in w for w in job_cautions(machine, eva))
    assert (
        run(["cut", "bench", "--machine", "own.toml", "--material", "eva", "--through", "-q"]) == 0
    )
    assert run([*arguments, "--save", "own.txt"]) == 2
    assert run(["coupon", "--machine", "router", "--strips", "96"]) == 2


def test_files_of_a_failed_cut_say_so(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    deep = ["cut", "bench", "--depth", "50", "--thickness", "30"]
    assert run(deep) == 3
    told = capsys.readouterr().err
    assert "a pocket 50 mm deep leaves no floor in a sheet of 30 mm" in told
    (text,) = (job / "cut").rglob("*-CHECKS-FAILED.txt")
    assert "floor-too-thin" in text.read_text("utf-8")
    (dxf,) = (p for p in (job / "cut").rglob("*.dxf") if "reference" not in p.name)
    assert b"CHECKS FAILED, do not cut" in dxf.read_bytes()[:600]
    # accepted by name, or mended, the mark goes and the text with it
    assert run([*deep, "--accept", "floor-too-thin", "--replace", "-q"]) == 0
    assert not list((job / "cut").rglob("*-CHECKS-FAILED.txt"))


def test_an_accepted_name_that_no_check_has_is_told(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["cut", "bench", "--accept", "flor-too-thin"]) == 0
    assert "--accept flor-too-thin met no check" in capsys.readouterr().err


def test_tools_of_one_name_have_each_its_own_depth() -> None:
    """Rows whose points were typed somewhere on the tool, not where the run puts its own."""
    levers = [
        replace(o, name="lever", outline_id=f"T{k:02d}", point_px=(100.0 * k, 500.0))
        for k, o in enumerate(lay()[:3], start=1)
    ]
    content = OutlinesFile(tuple(levers), lay_of={o.outline_id: 1 for o in levers})
    text = "name,x_px,y_px,height_mm,depth_mm\n" + "".join(
        f"lever,{x},{y},9,{depth}\n"
        for x, y, depth in ((310, 590, 30), (95, 420, 10), (205, 600, 20))
    )
    tools = parse_tool_list(text.encode(), "tools.csv")
    assert typed_depths(content, tools) == {"T01": 10, "T02": 20, "T03": 30}


def test_a_machine_s_folder_is_whole_and_packed(job: Path) -> None:
    assert run(["cut", "bench", "--machine", "router", "--depth", "12", "--zip", "-q"]) == 0
    files = written(job)
    listed = json.loads(files["router/files.json"])["files"]
    with zipfile.ZipFile(io.BytesIO(files.pop("router.zip"))) as archive:
        assert set(archive.namelist()) == set(files)
        assert all(archive.read(name) == data for name, data in files.items())
    assert {f"router/{name}" for name in listed} == set(files) - {"router/files.json"}
    (text,) = (page.get_textpage().get_text_range() for page in
               pypdfium2.PdfDocument(files["router/READ-FIRST.pdf"]))  # fmt: skip
    words = " ".join(text.split())
    assert "Let the machine allow for its kerf of 6.00 mm" in words
    assert "50.0 mm" in words and "100.0 mm" in words and "dust extraction" in words
    # another machine's files stand in a folder of their own
    assert run(["cut", "bench", "-q"]) == 0
    assert {n.partition("/")[0] for n in written(job)} == {
        "router",
        "router.zip",
        "oscillating-knife",
    }


def test_the_square_of_the_first_page_is_true(job: Path) -> None:
    assert run(["cut", "bench", "-q"]) == 0
    page = pypdfium2.PdfDocument(written(job)["oscillating-knife/READ-FIRST.pdf"])[0]
    sizes = [np.ptp(points, axis=0) for points in page_paths_mm(page) if len(points) >= 4]
    assert any(size == pytest.approx((50.0, 50.0), abs=0.01) for size in sizes)


def test_what_a_person_changed_is_never_thrown_away(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["cut", "bench", "-q"]) == 0
    (dxf,) = (n for n in written(job) if n.endswith(".dxf") and "reference" not in n)
    (job / "cut" / dxf).write_bytes(b"mine now")
    (job / "cut" / "oscillating-knife" / "notes.txt").write_text("blade 3 is blunt")
    # another margin: the file has another name, and the old one would be stale
    assert run(["cut", "bench", "--margin", "50", "--replace"]) == 0
    assert "cut-file-kept" in capsys.readouterr().err
    after = written(job)
    assert after[dxf] == b"mine now"
    assert after["oscillating-knife/notes.txt"] == b"blade 3 is blunt"
    assert sum(n.endswith("-reference.dxf") for n in after) == 1  # ours of before is gone
    # and where a new file takes its name, the changed one is kept in the history
    (new,) = (n for n in after if n.endswith(".dxf") and "reference" not in n and n != dxf)
    (job / "cut" / new).write_bytes(b"mine again")
    assert run(["cut", "bench", "--margin", "50", "--replace", "-q"]) == 0
    assert written(job)[new] != b"mine again"
    assert (job / "history" / "cut-before" / new).read_bytes() == b"mine again"


def test_files_of_the_former_layout_move_into_the_history(job: Path) -> None:
    cut = job / "cut"
    cut.mkdir()
    record = {"format": "tracer-cut", "version": 1, "machine": "oscillating-knife", "pockets": [],
              "files": ["bench-oscillating-knife-639x443.dxf"]}  # fmt: skip
    (cut / "bench-oscillating-knife-cut.json").write_text(json.dumps(record))
    (cut / "bench-oscillating-knife-639x443.dxf").write_bytes(b"old")
    (cut / "my sketch.dxf").write_bytes(b"a person's")
    assert run(["cut", "bench", "-q"]) == 1
    assert (cut / "bench-oscillating-knife-639x443.dxf").exists()
    assert run(["cut", "bench", "--replace", "-q"]) == 0
    assert {p.name for p in cut.iterdir()} == {"oscillating-knife", "my sketch.dxf"}
    kept = job / "history" / "cut-before"
    assert (kept / "bench-oscillating-knife-639x443.dxf").read_bytes() == b"old"
