"""``tracer trace --scan`` from the scan's file to outlines, panel, cutting files and the page.

Outside measures: legal diameters of coins (Council Regulation (EU) No 729/2014, annex I), exact
shapes of the renderer, GDAL (through pyogrio) as reader of the DXF.
"""

from __future__ import annotations

import csv
import json
import tempfile
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import affinity, from_wkb
from shapely.geometry import Polygon
from shapely.ops import polygonize, unary_union

from tests.cli.photos import jpeg, lay
from tests.scan_maker import COINS_MM, Part, Scan, coin, hex_key, insert, make_scan
from tracer.cli.app import run
from tracer.desk.view import job_record, photo_record
from tracer.geometry.compare import boundary_distance, iou
from tracer.model.lay_calibration import of_lay
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.store import JobFolder
from tracer.workflows.arranging.panel_tools import upright

PARTS = (
    Part(coin(2.0, (150, 140)), 0.0, "steel"),
    Part(coin(0.01, (20, 140)), 0.0, "brass"),
    Part(hex_key(4.0, (45, 150), 5.0), 0.0, "dark"),
    Part(insert((30, 195), 10.0), 0.0, "blue"),
)
DPI = (200.0, 200.8)
CARD = ["--card-size", "168.0x112.0"]


@cache
def bench() -> Scan:
    """Parts beside a card, on three quarters of an A4 glass."""
    return make_scan(
        PARTS, dpi=DPI, stated_dpi=(200.0, 200.0), turn_deg=2.0, glass_mm=(196.0, 236.0),
        corner_mm=(-11.0, -14.0),
    )  # fmt: skip


@cache
def file(kind: str = "PNG") -> bytes:
    return bench().file(kind)


@cache
def traced() -> dict[str, bytes]:
    """Files of the job that the scan gives, made once."""
    with tempfile.TemporaryDirectory() as name:
        scan, job = Path(name) / "parts.png", Path(name) / "parts.job"
        scan.write_bytes(file())
        assert run(["trace", str(scan), "--scan", *CARD, "--job", str(job), "-q"]) == 0
        paths = [p for p in job.rglob("*") if p.is_file() and p.name != ".lock"]
        return {p.relative_to(job).as_posix(): p.read_bytes() for p in paths}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "parts.png").write_bytes(file())
    return tmp_path


@pytest.fixture
def job(shop: Path) -> Path:
    for name, data in traced().items():
        path = shop / "parts.job" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return shop / "parts.job"


def outlines(job: str = "parts") -> OutlinesFile:
    return load_outlines(Path(f"{job}.job/outlines.json").read_bytes(), "outlines.json")


def found(part: Part, content: OutlinesFile) -> Polygon:
    return max((o.region for o in content.outlines), key=lambda r: r.intersection(part.plan).area)


def laid_best(shape: Polygon, onto: Polygon) -> float:
    """Share in common of two shapes, the first turned as it fits best, but not turned over."""
    c, m = shape.centroid, onto.centroid
    there = affinity.translate(shape, m.x - c.x, m.y - c.y)
    turned = [affinity.rotate(there, k / 2, origin=(m.x, m.y)) for k in range(720)]
    return max(iou(t, onto) for t in turned)


def test_outlines_are_those_of_the_parts_as_seen_from_above(job: Path) -> None:
    """At 200 pixels an inch (0.13 mm) edges are known to a tenth of a pixel, corners to a few.

    Frame and truth are the same, so a mirror, swapped scales or a wrong turn would put every
    outline elsewhere.
    """
    content = outlines()
    assert len(content.outlines) == len(PARTS)
    for part in PARTS:
        region = found(part, content)
        distance = boundary_distance(region, part.plan)
        assert distance.mean_mm < 0.03
        assert distance.p95_mm < 0.15  # corners are rounded by the step of 0.5 mm
        assert iou(region, part.plan) > 0.98
    for part, value in zip(PARTS[:2], (2.0, 0.01), strict=True):
        diameter = 2 * np.sqrt(found(part, content).area / np.pi)
        assert diameter == pytest.approx(COINS_MM[value], abs=0.05)


def test_a_part_of_one_hand_keeps_it(job: Path) -> None:
    """Laid on its true shape as it turns best, without turning it over; its mirror image is not."""
    seen, true = found(PARTS[3], outlines()), PARTS[3].plan
    assert laid_best(seen, true) > 0.98
    assert laid_best(seen, affinity.scale(true, -1, 1)) < 0.9


def test_the_drawing_holds_the_same(job: Path) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    meta, _, shapes, fields = pyogrio.raw.read("parts.job/outlines.dxf")
    layers = fields[list(meta["fields"]).index("Layer")]
    lines = [from_wkb(g) for g, layer in zip(shapes, layers, strict=True) if layer == "outline"]
    rings = list(polygonize(unary_union(lines)))
    for part in PARTS[2:]:
        true = Polygon(part.plan.exterior)
        best = min((Polygon(r.exterior) for r in rings), key=lambda r: abs(r.area - true.area))
        assert laid_best(best, true) > 0.97


def test_the_usual_way_goes_on_from_there(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trace", "parts.png", "--scan", *CARD]) == 0
    said = capsys.readouterr().err
    assert said.count("[height-unknown]") >= 1
    assert "[photo-no-focal-length]" not in said
    rows = list(csv.reader(Path("parts.job/tools.csv").read_text("utf-8").splitlines()))
    for row in rows[1:]:
        row[3] = "3"
    with Path("parts.job/tools.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    # the job remembers that it was scanned
    assert run(["trace", "--job", "parts", "-q"]) == 0
    content = outlines()
    assert {o.height_mm for o in content.outlines} == {3.0}
    first = Path("parts.job/outlines.json").read_bytes()
    assert run(["trace", "--job", "parts", "-q"]) == 0
    assert Path("parts.job/outlines.json").read_bytes() == first

    assert run(["arrange", "parts", "--bay", "260x300", "-q"]) in (0, 3)
    assert run(["cut", "parts", "--machine", "scalpel", "-q"]) in (0, 3)
    assert any(Path("parts.job/cut/scalpel").rglob("*.dxf"))
    said = capsys.readouterr().err
    assert "The phone is not yet proven" not in said


def test_a_panel_shows_the_scan_s_top_at_its_top(job: Path) -> None:
    """Seen from above, what is left in the scan is right; what is up stays up."""
    calibration = outlines().calibration
    view = of_lay(calibration, 1).first_view
    assert view is not None
    angle = upright(calibration, 1).angle_rad
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, s], [-s, c]])
    start, right, up = view.to_sheet([[500, 500], [600, 500], [500, 400]]) @ turn
    assert right - start == pytest.approx((-100 * 25.4 / DPI[0], 0.0), abs=0.01)
    assert up - start == pytest.approx((0.0, 100 * 25.4 / DPI[1]), abs=0.01)


def test_a_job_from_a_scan_opens_on_the_page(job: Path) -> None:
    folder = JobFolder(Path("parts.job"))
    photo_id = outlines().outlines[0].photo_ids[0]
    desk = SimpleNamespace(job_id="1", folder=folder, state=SimpleNamespace(record=dict))
    record = job_record(desk)  # type: ignore[arg-type]
    assert record["lays"][0]["photos"][0]["size_px"] == bench().true_map.size_px
    shown = photo_record(desk, photo_id)  # type: ignore[arg-type]
    assert len(shown["true"]) == len(PARTS) and shown["camera"] is None
    assert all(t["path"].startswith("M") for t in shown["true"])
    assert len(shown["cards"]) == 1
    json.dumps([record, shown])


def test_a_part_that_is_too_tall_fails_the_run(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    x, y = bench().true_map.to_photo([[20.0, 140.0]])[0]
    Path("list.csv").write_text(f"name,x_px,y_px,height_mm\nspring cap,{x:.0f},{y:.0f},14\n")
    assert run(["trace", "parts.png", "--scan", *CARD, "--tools", "list.csv", "-q"]) == 3
    said = capsys.readouterr().err
    assert "[scan-part-too-tall]" in said and "spring cap is 14 mm high" in said


def test_a_second_scan_is_a_lay_of_its_own(job: Path) -> None:
    Path("more.jpg").write_bytes(file("JPEG"))
    assert run(["trace", "more.jpg", "--scan", *CARD, "--add", "--job", "parts", "-q"]) == 0
    content = outlines()
    assert sorted(content.lay_of.values()) == [1] * len(PARTS) + [2] * len(PARTS)
    assert [len(lay.scans) for lay in content.calibration] == [1, 1]


def test_a_tool_is_swapped_by_a_scan(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The new one, a twelfth larger, comes to lie on the old one; its scan stays with the job."""
    larger = Part(affinity.scale(insert((60, 148), 15.0), 1.08, 1.08), 0.0, "steel")
    new = make_scan([larger], dpi=DPI, stated_dpi=(200.0, 200.0), glass_mm=(190.0, 210.0))
    Path("new.png").write_bytes(new.file())
    before = outlines()
    old = max(before.outlines, key=lambda o: iou(o.region, PARTS[3].plan))
    words = ["swap", "parts", old.outline_id, "new.png", "--scan", "--height", "3", "-q"]
    assert run(words) in (0, 3)
    after = next(o for o in outlines().outlines if o.outline_id == old.outline_id)
    assert after.region.area == pytest.approx(larger.plan.area, rel=0.03)  # tips are rounded
    assert laid_best(after.region, larger.plan) > 0.95
    assert iou(after.region, PARTS[3].plan) > 0.7
    assert len(list((job / "photos").iterdir())) == 2
    assert run(["trace", "--job", "parts", "-q"]) == 0
    assert len(list((job / "photos").iterdir())) == 2
    assert run(["swap", "parts", old.outline_id, "new.png", "parts.png", "--scan", "-q"]) == 2
    assert "[scan-alone]" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("scan-alone", ["parts.png", "parts.png", "--scan"]),
        ("scan-alone", ["film.mp4", "--scan"]),
        ("scan-alone", ["--job", "parts", "--scan"]),
        ("usage", ["--job", "parts", "--more", "parts.png", "--scan"]),
        ("usage", ["parts.png", "--scan", "--height", "4"]),
        ("usage", ["parts.png", "--scan", "--camera-height", "900"]),
        ("usage", ["parts.png", "--scan", "--edge", "upright"]),
        ("usage", ["parts.png", "--scan", "--mat", "600x400"]),
        ("usage", ["parts.png", "--scan", "--card-thickness", "3"]),
        ("photo-missing", ["nowhere.png", "--scan"]),
        ("scan-is-photo", ["bench.jpg", "--scan"]),
        ("looks-scanned", ["parts.png"]),
    ],
)
def test_what_does_not_go(
    slug: str, words: list[str], shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("film.mp4").write_bytes(b"no film")
    Path("bench.jpg").write_bytes(jpeg(lay()))
    assert run(["trace", *words, "-q"]) in (1, 2, 3)
    said = capsys.readouterr().err
    assert f"[{slug}]" in said
    assert "Traceback" not in said
    if slug != "looks-scanned":
        assert not list(shop.glob("*.job"))


def test_no_photo_joins_a_scan(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("more.jpg").write_bytes(file("JPEG"))
    assert run(["trace", "--job", "parts", "--more", "more.jpg", "-q"]) == 2
    assert "[scan-alone]" in capsys.readouterr().err
