"""Things of known size: what is said of them, what becomes of them, and the table over jobs."""

from __future__ import annotations

import json
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from shapely.affinity import translate
from shapely.geometry import Point, box

from tests.cli.photos import jpeg
from tests.panel.bench import bar, outline
from tests.scene_maker import make_scene
from tests.scene_parts import Look, Tool
from tests.workflows.arranging.test_arrange import write_job
from tracer.cli.app import run
from tracer.errors import TracerError
from tracer.model.tool_list import ToolRow
from tracer.project.panel_file import load_panel
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import format_tool_list, parse_tool_list
from tracer.workflows.known import known_of_jobs, summaries
from tracer.workflows.tracing.known_things import known_checks, known_things

#: Council Regulation (EC) No 975/98, annex I: a 2 euro coin is 25.75 mm across and 2.20 mm thick
COIN_MM, COIN_HIGH_MM = 25.75, 2.2
#: ISO 3650: a gauge block over 10 mm has a face of 35 x 9 mm
BLOCK_MM = (35.0, 9.0)


def row(known: tuple[float, ...]) -> ToolRow:
    return ToolRow("proof", 10, 20, known_mm=known)


def disc(diameter: float, sigma: float):  # type: ignore[no-untyped-def]
    made = outline(Point(50, 50).buffer(diameter / 2, quad_segs=128), 1, height_mm=2.2)
    return replace(made, sigma_mm=sigma)


@pytest.mark.parametrize(
    ("measured", "sigma", "edge", "slug"),
    [
        (25.95, 0.10, +0.10, "known-thing"),  # a tenth a side, stated a tenth
        (25.55, 0.06, -0.10, "known-thing"),
        (26.35, 0.10, +0.30, "known-thing-off"),  # three times what is stated
        (25.15, 0.10, -0.30, "known-thing-off"),
    ],
)
def test_a_size_has_two_edges(measured: float, sigma: float, edge: float, slug: str) -> None:
    (thing,) = known_things([(disc(measured, sigma), row((COIN_MM,)))])
    assert thing.edge_mm == pytest.approx(edge, abs=0.003)
    (check,) = known_checks([thing])
    assert check.slug == slug
    assert check.value == pytest.approx(edge, abs=0.003) and check.limit == 2 * sigma
    assert f"{edge:+.2f} mm" in check.sentence and "25.75" in check.sentence


def test_two_sides_are_told_in_any_order_and_the_worse_one_counts() -> None:
    block = replace(outline(box(0, 0, 9.1, 35.5), 1), sigma_mm=0.2)
    (thing,) = known_things([(block, row(BLOCK_MM[::-1]))])
    assert thing.known_mm == BLOCK_MM
    assert thing.off_mm == pytest.approx((0.5, 0.1), abs=1e-6)
    assert thing.edge_mm == pytest.approx(0.25, abs=1e-6)


def test_what_has_no_size_typed_is_no_known_thing() -> None:
    assert known_things([(disc(20, 0.1), None), (disc(20, 0.1), ToolRow("a", 1, 2))]) == []


@pytest.mark.parametrize(
    ("cell", "sizes"),
    [
        ("25.75", (25.75,)),
        ("35x9", (35, 9)),
        ("35 × 9", (35, 9)),
        ("3.5cm x 9mm", (35, 9)),
        ("2x1in", (50.8, 25.4)),
        ("", None),
        ("-", None),
    ],
)
def test_sizes_are_read_and_written(cell: str, sizes: tuple[float, ...] | None) -> None:
    tools = parse_tool_list(f"name,x_px,y_px,known_mm\ncoin,10,20,{cell}\n".encode(), "tools.csv")
    (found,) = tools.rows
    assert found.known_mm == (None if sizes is None else pytest.approx(sizes))
    assert format_tool_list(tools).decode().splitlines()[1] == f"coin,10,20,{cell}"  # as typed
    fresh = format_tool_list(replace(tools, rows=(replace(found, source=None),)))
    assert parse_tool_list(fresh, "tools.csv").rows[0].known_mm == found.known_mm


@pytest.mark.parametrize("cell", ["round", "3x4x5", "35x", "x9", "2", "1e9", "35x5000", "nan"])
def test_a_size_that_is_none_is_refused_with_its_place(cell: str) -> None:
    with pytest.raises(TracerError) as caught:
        parse_tool_list(f"name,x_px,y_px,known_mm\ncoin,10,20,{cell}\n".encode(), "tools.csv")
    assert "line 2, column known_mm" in caught.value.sentence


def test_a_semicolon_list_reads_decimal_commas() -> None:
    data = b"name;x_px;y_px;known_mm\ncoin;10;20;25,75\nblock;30;40;35,0x9,0\n"
    assert [r.known_mm for r in parse_tool_list(data, "tools.csv").rows] == [(25.75,), (35.0, 9.0)]


def test_a_size_typed_later_does_not_make_a_lay_look_changed() -> None:
    assert repr(ToolRow("a", 1, 2)) == repr(ToolRow("a", 1, 2, known_mm=(25.75,)))


def lay_of_one_photo(folder: JobFolder) -> None:
    """Give the job a lay with a plain grey photo."""
    photo = PhotoRecord("photos/lay1-1.jpg", "lay.jpg", "0" * 16)
    picture = BytesIO()
    Image.new("RGB", (800, 600), (120, 120, 120)).save(picture, "JPEG")
    with folder.locked():
        record = JobRecord(lays=(LayRecord(photos=(photo,)),))
        folder.commit({"job.json": dump_job(record), photo.file: picture.getvalue()})


def proof_job(path: Path) -> JobFolder:
    """Two bars and a coin, whose size is typed."""
    coin = Point(300, 0).buffer(COIN_MM / 2 + 0.05, quad_segs=64)
    outlines = [outline(translate(bar(), 90.0 * n, 0), n, height_mm=24.0) for n in (1, 2)]
    outlines.append(replace(outline(coin, 3, height_mm=2.2, name="coin"), sigma_mm=0.1))
    folder = write_job(path, tuple(outlines))
    lay_of_one_photo(folder)
    x, y = outlines[2].point_px
    (path / "tools.csv").write_text(f"name,x_px,y_px,known_mm\ncoin,{x},{y},{COIN_MM}\n")
    return folder


def test_it_gets_no_pocket_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = proof_job(tmp_path / "bench.job")
    assert run(["cut", "bench", "--json", "-q"]) == 0
    assert json.loads(capsys.readouterr().out)["sheets"][0]["pockets"] == 2
    assert run(["arrange", "bench", "--bay", "520x300"]) == 0
    assert "[known-thing-no-pocket]" in capsys.readouterr().err
    panel = load_panel(folder.read("panel.json"), "panel.json").panel
    assert [p.pocket_id for p in panel.pockets] == ["T01", "T02"]
    # a list in which everything is of known size leaves nothing to cut
    whole = json.loads(folder.read("outlines.json"))
    points = [o["point_px"] for o in whole["outlines"]]
    text = "name,x_px,y_px,known_mm\n" + "".join(f"a,{x},{y},20\n" for x, y in points)
    (tmp_path / "bench.job/tools.csv").write_text(text)
    (tmp_path / "bench.job/panel.json").unlink()
    assert run(["cut", "bench", "-q", "--replace"]) == 1
    assert "[cut-nothing]" in capsys.readouterr().err


def test_the_table_over_jobs_and_its_exit_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["known", "-q"]) == 2
    assert "[known-none]" in capsys.readouterr().err
    proof_job(tmp_path / "one.job")
    proof_job(tmp_path / "two.job")
    (tmp_path / "broken.job").mkdir()
    (tmp_path / "broken.job/job.json").write_text("{")
    assert run(["known", "--json"]) == 0
    out = capsys.readouterr()
    record = json.loads(out.out)
    assert [t["edge_off_mm"] for t in record["things"]] == [pytest.approx(0.05, abs=0.002)] * 2
    assert record["cameras"][0]["things"] == 2 and record["cameras"][0]["covered"] == 2
    assert "broken.job" in record["unread"][0] and "broken.job" in out.err
    # a card typed too large by two per mille would make the coin 0.05 mm larger; ten times that
    off = (tmp_path / "two.job/tools.csv").read_text().replace("25.75", "24.75")
    (tmp_path / "two.job/tools.csv").write_text(off)
    assert run(["known"]) == 3
    assert "not covered" in capsys.readouterr().out
    found, _ = known_of_jobs(tmp_path)
    (total,) = summaries(found)
    assert total.mean_mm == pytest.approx((0.05 + 0.55) / 2, abs=0.002)
    assert total.rms_mm == pytest.approx(((0.05**2 + 0.55**2) / 2) ** 0.5, abs=0.002)
    assert total.covered == 1


def test_from_the_photo_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rendered coin and block among a tool: traced, said, and within what is stated."""
    tools = (
        Tool(box(120, 150, 260, 172), 6.0, "blue"),
        Tool(Point(330, 160).buffer(COIN_MM / 2, quad_segs=64), COIN_HIGH_MM, "blue"),
    )
    scene = make_scene(tools, look=Look(seed=3))
    photo = tmp_path / "lay.jpg"
    photo.write_bytes(jpeg(scene))
    x, y = scene.view.to_photo([[330.0, 160.0]])[0]
    listed = tmp_path / "list.csv"
    listed.write_text(
        f"name,x_px,y_px,height_mm,known_mm\ncoin,{x:.0f},{y:.0f},{COIN_HIGH_MM},{COIN_MM}\n"
    )
    words = ["trace", str(photo), "--card-size", "168.0x112.0", "--job", str(tmp_path / "lay.job")]
    assert run([*words, "--tools", str(listed), "--silhouettes", "classical", "--json"]) in (0, 3)
    record = json.loads(capsys.readouterr().out)
    (said,) = [c for c in record["checks"] if c["slug"].startswith("known-thing")]
    # half a working cell of 1 mm; the renderer's own edge is good to 0.02 px
    assert abs(said["value"]) < 0.5
    assert run(["known", str(tmp_path), "--json"]) in (0, 3)
    (thing,) = json.loads(capsys.readouterr().out)["things"]
    assert thing["measured_mm"][0] == pytest.approx(COIN_MM + 2 * said["value"], abs=0.002)
    assert (thing["camera"], thing["photos"]) == ("A", 1)
