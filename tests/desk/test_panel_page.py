"""The panel view in a real browser: colours, moving, gaps, depths, undo, cutting files."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ezdxf
import pytest
from shapely.geometry import Polygon

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tests.desk.test_page import axe_faults, kept
from tests.desk.test_whole_way import downloaded
from tracer.desk.server import DeskServer
from tracer.model.panel import Panel
from tracer.project.panel_file import load_panel
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import arrange_job

Open = Callable[..., Any]


@pytest.fixture(scope="module")
def arranged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = seed_job(tmp_path_factory.mktemp("arranged") / "bench.job")
    arrange_job(folder)
    return folder.path


@pytest.fixture
def desk(tmp_path: Path, arranged: Path) -> Iterator[DeskServer]:
    shutil.copytree(arranged, tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        yield server


def panel_of(server: DeskServer) -> Panel:
    folder = JobFolder(server.root / "bench.job")
    return load_panel(folder.read("panel.json"), "panel.json").panel


def middle_of(server: DeskServer, pocket: str) -> tuple[float, float]:
    x0, y0, x1, y1 = next(
        p for p in panel_of(server).pockets if p.pocket_id == pocket
    ).region.bounds
    return (x0 + x1) / 2, (y0 + y1) / 2


def shown(page: Any) -> Any:
    page.get_by_role("button", name="Panel", exact=True).click()
    page.wait_for_selector(".one-pocket", state="attached")
    return page


def settled(page: Any) -> None:
    kept(page)
    page.wait_for_function("() => document.querySelector('.run').hidden", timeout=60_000)


def on_screen(page: Any, pocket: str) -> tuple[float, float]:
    x, y = page.evaluate(
        """(id) => { const p = document.querySelector(`[data-pocket=${id}] .pocket`);
                     const b = p.getBoundingClientRect();
                     return [b.x + b.width / 2, b.y + b.height / 2]; }""",
        pocket,
    )
    return x, y


def test_true_colours_and_every_pocket(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    panel = panel_of(desk)
    face = page.locator(".face").evaluate("e => getComputedStyle(e).fill")
    assert face == "rgb({}, {}, {})".format(*panel.plies[0].stock.rgb)
    assert page.locator(".one-pocket").count() == len(panel.pockets)
    assert axe_faults(page) == []


def test_a_dragged_pocket_stays_where_it_was_put(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    before = middle_of(desk, "T05")
    x, y = on_screen(page, "T05")
    scale = page.evaluate("() => document.querySelector('.drawing').getScreenCTM().a")
    page.mouse.move(x, y)
    page.mouse.down()
    page.keyboard.down("Alt")  # freely, without snapping
    page.mouse.move(x + 20, y - 8, steps=4)
    assert page.locator(".gaps li").count() > 0
    page.mouse.up()
    page.keyboard.up("Alt")
    settled(page)
    after = middle_of(desk, "T05")
    # a screen pixel is about half a millimetre here
    assert after[0] - before[0] == pytest.approx(20 / scale, abs=1.0)
    assert after[1] - before[1] == pytest.approx(8 / scale, abs=1.0)
    page.get_by_role("button", name="Undo").click()
    settled(page)
    assert middle_of(desk, "T05") == pytest.approx(before, abs=0.01)


def test_live_gaps_are_those_that_shapely_measures(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.locator(".pockets button[data-pocket=T04]").click()
    pockets = {p.name: p.region for p in panel_of(desk).pockets}
    mine = pockets.pop("three-arm hex key")
    texts = page.locator(".gaps li").all_inner_texts()
    seen = {t.split(" mm to ")[1]: float(t.split(" ")[0]) for t in texts}
    assert len(seen) >= 3
    for name, gap in seen.items():
        other = panel_of(desk).shape.exterior if name == "the rim" else pockets[name]
        # rings on the page are simplified by 0.08 mm and figures rounded to 0.1 mm
        assert gap == pytest.approx(mine.distance(other), abs=0.25), name


def test_what_lies_below_the_face_is_not_said_to_stand_out(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    sides = set()
    for pocket in panel_of(desk).pockets:
        page.locator(f".pockets button[data-pocket={pocket.pocket_id}]").click()
        far = pocket.height_mm - pocket.depth_mm
        words = f"lies {-far:.1f} mm below" if far < 0 else f"stands out {far:.1f} mm"
        assert words in page.locator(".pocket-form").inner_text()
        sides.add(far < 0)
    assert sides == {True, False}  # the demo has both


def test_keys_and_typed_values_move_turn_and_deepen(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.locator(".pockets button[data-pocket=T10]").click()
    before = middle_of(desk, "T10")
    page.locator(".picture").focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    page.wait_for_timeout(700)
    settled(page)
    after = middle_of(desk, "T10")
    assert (after[0] - before[0], after[1] - before[1]) == pytest.approx((3, -10), abs=0.02)
    page.get_by_label("Middle x (mm)").fill("300,5")
    page.get_by_label("Middle x (mm)").press("Enter")
    kept(page)
    page.get_by_label("Depth (mm)", exact=True).fill("11.5")
    page.get_by_label("Depth (mm)", exact=True).press("Enter")
    settled(page)
    assert next(p for p in panel_of(desk).pockets if p.pocket_id == "T10").depth_mm == 11.5
    page.get_by_label("Turned (°)").fill("90")
    page.get_by_label("Turned (°)").press("Enter")
    settled(page)
    t10 = next(p for p in panel_of(desk).pockets if p.pocket_id == "T10")
    assert middle_of(desk, "T10")[0] == pytest.approx(300.5, abs=0.05)
    assert t10.depth_mm == 11.5


def test_a_pocket_too_near_is_told_at_once(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    x, y = on_screen(page, "T02")
    bx, _ = on_screen(page, "T01")
    page.mouse.move(x, y)
    page.mouse.down()
    page.keyboard.down("Alt")
    page.mouse.move(bx + 0.55 * (x - bx), y, steps=5)
    assert page.locator(".gaps .bad").count() >= 1  # before it is let go
    page.mouse.up()
    page.keyboard.up("Alt")
    settled(page)
    assert any(c.severity == "fail" for c in panel_of(desk).checks)


def test_cutting_files_with_their_cautions(desk: DeskServer, open_page: Open) -> None:
    page = open_page(desk)
    page.locator(".seen path").first.wait_for(state="attached")
    page.get_by_role("button", name="Files", exact=True).click()
    page.get_by_label("Machine").select_option("co2-laser")
    cautions = page.locator(".cautions").inner_text()
    assert "fumes" in cautions and "burns" in cautions
    page.get_by_label("Machine").select_option("oscillating-knife")
    page.locator("form.box").get_by_role("button", name="Make cutting files").click()
    page.locator(".file-list", has_text="READ-FIRST").wait_for(timeout=90_000)
    settled(page)
    files = downloaded(page)
    names = [n for n in files if n.startswith("cut/") and n.endswith(".dxf")]
    assert names and any(n.endswith(".pdf") for n in files)
    areas = []
    for name in names:
        doc = ezdxf.read(io.StringIO(files[name].decode("cp1252")))
        assert not doc.audit().errors
        for e in doc.modelspace().query("LWPOLYLINE"):
            points = [(x, y) for x, y, *_ in e.get_points()]
            if len(points) > 8:
                areas.append(Polygon(points).area)
    assert len(areas) >= len(panel_of(desk).pockets)
    page.locator(".file-list button", has_text=".dxf").first.click()
    page.wait_for_function("() => document.querySelector('.preview img')?.naturalWidth > 0 ")
    page.locator(".file-list button", has_text=".pdf").first.click()
    page.wait_for_function(
        "() => [...document.querySelectorAll('.preview img')].some((i) => i.naturalWidth > 800)"
    )
