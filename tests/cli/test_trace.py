"""``tracer trace`` from photo files to the job folder, on small rendered lays.

Outside readers of what is written: ezdxf's own reader is used inside the product, so here GDAL
(through pyogrio) reads the DXF, svgelements the SVG, and Pillow the pictures.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
import svgelements
from PIL import Image
from shapely import affinity
from shapely.geometry import Polygon

from tests.cli.photos import BLOCK, SPANNER, TOOLS, jpeg, lay
from tests.scene_parts import Tool
from tracer.cli.app import run
from tracer.geometry.compare import align, boundary_distance, filled


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench photo.jpg").write_bytes(jpeg(lay()))
    return tmp_path


def load(folder: Path, name: str = "outlines.json") -> dict[str, object]:
    return json.loads((folder / name).read_text("utf-8"))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != ".lock"
    }


TRACE = ["trace", "bench photo.jpg", "--card-size", "168.0x112.0", "--quiet"]


def test_the_whole_way(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*TRACE[:-1], "--job", "bench"]) == 0
    words = capsys.readouterr()
    assert "2 outlines written to bench.job" in words.out
    assert "finding tools" in words.err
    assert words.err.count("[height-unknown]") == 2
    job = bench / "bench.job"
    names = set(bytes_of(job))
    assert {"job.json", "outlines.json", "outlines.dxf", "outlines.svg", "tools.csv"} <= names
    assert any(n.startswith("pictures/") for n in names)

    # the maker fills in names and heights, in a spreadsheet that writes semicolons
    rows = list(csv.DictReader(io.StringIO((job / "tools.csv").read_text("utf-8"))))
    assert [r["name"] for r in rows] == ["T01", "T02"]
    (spanner,) = (r for r in rows if abs(float(r["x_px"]) - 400) < 250)
    for row in rows:
        name, height = ("spanner", "6") if row is spanner else ("charger block", "30")
        row |= {"name": name, "height_mm": height, "edge": "upright"}
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0], delimiter=";")
    writer.writeheader()
    writer.writerows({k: v.replace(".", ",") for k, v in r.items()} for r in rows)
    (job / "tools.csv").write_text("\ufeff" + out.getvalue(), "utf-8")
    assert run(["trace", "--job", "bench"]) == 0
    words = capsys.readouterr()
    assert "height-unknown" not in words.err
    found = {o["name"]: o for o in load(job)["outlines"]}
    assert set(found) == {"spanner", "charger block"}
    assert {o["height_source"] for o in found.values()} == {"typed"}
    for name, truth in (("spanner", SPANNER), ("charger block", BLOCK)):
        region = Polygon(found[name]["exterior"], found[name]["holes"])
        moved = align([(region, truth)]).region(region)
        distance = boundary_distance(filled(moved), filled(truth))
        # 0.5 mm a pixel here: the edge is found to a fraction of it
        assert distance.mean_mm < 0.3
        assert distance.p95_mm < 0.8
    assert len(found["spanner"]["holes"]) == 1


def test_written_files_through_other_readers(bench: Path) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    assert run([*TRACE, "--job", "bench", "--height", "10"]) == 0
    job = bench / "bench.job"
    outlines = load(job)["outlines"]
    assert all(o["height_source"] == "default" for o in outlines)
    table = pyogrio.raw.read(job / "outlines.dxf")
    fields = dict(zip(table[0]["fields"], table[3], strict=True))
    layers = list(fields["Layer"])
    rings = sum(1 + len(o["holes"]) for o in outlines)
    assert layers.count("outline") == rings
    svg = svgelements.SVG.parse(io.BytesIO((job / "outlines.svg").read_bytes()), ppi=25.4)
    assert sum(isinstance(e, svgelements.Path) for e in svg.elements()) >= rings
    for picture in (job / "pictures").iterdir():
        with Image.open(picture) as image:
            assert image.width >= 1000


def test_frame_and_format(bench: Path) -> None:
    assert run([*TRACE, "--job", "bench"]) == 0
    content = load(bench / "bench.job")
    assert (content["format"], content["version"]) == ("tracer-outlines", 2)
    assert (content["units"], content["frame"]) == ("mm", "sheet")
    for outline in content["outlines"]:
        ring = np.asarray(outline["exterior"])
        assert Polygon(ring).exterior.is_ccw
        assert not np.array_equal(ring[0], ring[-1])
        assert all(not Polygon(hole).exterior.is_ccw for hole in outline["holes"])
    # the lowest-numbered card gives the frame, so the truth's places are ours as well
    # (no heights were typed, so the flat spanner is the one to look at)
    centres = [Polygon(o["exterior"]).centroid for o in content["outlines"]]
    assert min(c.distance(Polygon(SPANNER.exterior).centroid) for c in centres) < 3


def test_same_command_twice_changes_nothing(bench: Path) -> None:
    assert run([*TRACE, "--job", "bench"]) == 0
    first = bytes_of(bench / "bench.job")
    assert run([*TRACE, "--job", "bench"]) == 0
    assert bytes_of(bench / "bench.job") == first


def test_other_photos_never_replace_a_job(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*TRACE, "--job", "bench"]) == 0
    before = bytes_of(bench / "bench.job")
    moved = Tool(affinity.translate(SPANNER, 30, 50), 6.0, "blue")
    (bench / "other.jpg").write_bytes(jpeg(lay((moved,), seed=5)))
    other = ["trace", "other.jpg", "--job", "bench", "--quiet"]
    assert run(other) == 1
    assert "[job-exists]" in capsys.readouterr().err
    assert bytes_of(bench / "bench.job") == before
    assert run([*other, "--add"]) == 0
    added = load(bench / "bench.job")["outlines"]
    assert [(o["id"], o["lay"]) for o in added] == [("T01", 1), ("T02", 1), ("T03", 2)]
    assert run([*other, "--replace"]) == 0
    assert [o["id"] for o in load(bench / "bench.job")["outlines"]] == ["T01"]
    assert len(list((bench / "bench.job/photos").iterdir())) == 1


def test_default_name_is_the_photos(bench: Path) -> None:
    assert run(TRACE) == 0
    assert (bench / "bench photo.job" / "outlines.json").is_file()


def test_empty_sheet_invents_nothing(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "empty.jpg").write_bytes(jpeg(lay(())))
    assert run(["trace", "empty.jpg", "--card-size", "168x112"]) == 0
    assert "[no-tools]" in capsys.readouterr().err
    job = bench / "empty.job"
    assert load(job)["outlines"] == []
    assert not (job / "outlines.dxf").exists()


def test_refused_photos_leave_nothing(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from tests.scene_maker import make_scene

    photos = {
        "no-card": jpeg(make_scene(TOOLS, cards=())),
        "photo-mirrored": jpeg(lay(), mirrored=True),
        "photo-broken": jpeg(lay())[:60_000],
        "photo-unreadable": b"a letter to the workshop",
    }
    for slug, data in photos.items():
        (bench / "bad.jpg").write_bytes(data)
        assert run(["trace", "bad.jpg", "--quiet"]) == 1
        (line,) = capsys.readouterr().err.strip().splitlines()
        assert line.endswith(f"[{slug}]"), line
        assert not (bench / "bad.job").exists()


def test_the_same_photo_twice(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trace", "bench photo.jpg", "bench photo.jpg"]) == 0  # it counts once
    assert "are the same photo; it counts once" in capsys.readouterr().err


def test_json_holds_all(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*TRACE, "--job", "bench", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["outlines"] == len(record["tools"]) == 2
    assert set(record["steps"]) >= {"reading photos", "finding cards", "finding tools"}
    assert all((bench / record["job"] / name).is_file() for name in record["files"])
    assert {c["severity"] for c in record["checks"]} <= {"note", "warn", "fail"}


def test_corrections_are_kept(bench: Path) -> None:
    assert run([*TRACE, "--job", "bench"]) == 0
    job = bench / "bench.job"
    point = load(job)["outlines"][0]["point_px"]
    text = f"{point[0]},{point[1]}"
    assert run(["trace", "--job", "bench", "--drop", text, "--quiet"]) == 0
    assert [o["id"] for o in load(job)["outlines"]] == ["T02"]
    assert run(["trace", "--job", "bench", "--quiet"]) == 0
    assert [o["id"] for o in load(job)["outlines"]] == ["T02"]


def test_a_job_remembers_what_is_not_typed_again(bench: Path) -> None:
    """Another height must not bring back the nominal card: every tool would be 1 % wrong."""
    assert run([*TRACE, "--job", "bench", "--card-size", "166.3x110.9", "--cables"]) == 0
    assert run(["trace", "--job", "bench", "--height", "12", "--quiet"]) == 0
    (lay,) = load(bench / "bench.job", "job.json")["lays"]
    assert lay["card_size_mm"] == [166.3, 110.9]
    assert lay["default_height_mm"] == 12
    assert lay["keep_cables"] is True
    # the same photo named once more is the same run again
    assert run(["trace", "--job", "bench", TRACE[1], "--no-cables", "--quiet"]) == 0
    (lay,) = load(bench / "bench.job", "job.json")["lays"]
    assert lay["card_size_mm"] == [166.3, 110.9]
    assert lay["default_height_mm"] == 12
    assert lay["keep_cables"] is False


def test_a_common_card_size_ends_those_of_single_cards(bench: Path) -> None:
    assert run([*TRACE, "--job", "bench", "--card-size", "3:166.3x110.9"]) == 0
    assert run(["trace", "--job", "bench", "--card-size", "2:167x111.5", "--quiet"]) == 0
    (lay,) = load(bench / "bench.job", "job.json")["lays"]
    assert set(lay["card_sizes_mm"]) == {"2", "3"}
    assert run(["trace", "--job", "bench", "--card-size", "168x112", "--quiet"]) == 0
    (lay,) = load(bench / "bench.job", "job.json")["lays"]
    assert not lay["card_sizes_mm"]


def test_numbers_outlive_a_corrected_card_size(bench: Path) -> None:
    assert run([*TRACE, "--job", "bench", "--card-size", "155x103.3"]) == 0
    assert run(["trace", "--job", "bench", "--card-size", "168x112", "--quiet"]) == 0
    assert [o["id"] for o in load(bench / "bench.job")["outlines"]] == ["T01", "T02"]


def test_a_correction_in_a_photo_that_is_not_there(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*TRACE, "--job", "bench"]) == 0
    before = bytes_of(bench / "bench.job")
    assert run(["trace", "--job", "bench", "--drop", "2:100,100"]) == 2
    assert "names photo 2, but there is only 1" in capsys.readouterr().err
    assert bytes_of(bench / "bench.job") == before


def test_a_negative_height_is_refused_before_any_work(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*TRACE, "--job", "bench", "--height", "-3"]) == 2
    assert "--height cannot be -3 mm" in capsys.readouterr().err
    assert not (bench / "bench.job").exists()
