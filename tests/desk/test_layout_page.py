"""Laying out on the page in a real browser: layouts, locks, lines, gaps, notches, cutting files."""

from __future__ import annotations

import io
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ezdxf
import pytest
from shapely.geometry import Polygon, box

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tests.desk.test_doubts import CUT_OFF, OVERFLOW
from tests.desk.test_page import axe_faults, kept
from tests.desk.test_panel_page import on_screen, panel_of, settled, shown
from tests.desk.test_whole_way import downloaded
from tracer.desk.server import DeskServer
from tracer.model.panel import PanelPocket
from tracer.project.plan_file import plan_from_toml
from tracer.workflows.arranging.arrange import arrange_job

Open = Callable[..., Any]
SEARCH_MS = 120_000
#: no run is on, and the page shows the panel that the latest one made
IN_ORDER = """async () => {
  const job = `/api/jobs/${location.hash.slice(1, 13)}`;
  const ask = async (path) => (await fetch(job + path)).json();
  const before = (await ask('')).run.phase;
  const { panel } = await ask('/panel');
  const shown = document.querySelector('.panel-view').dataset.revision;
  const { phase: after, error } = (await ask('')).run;
  if (error) throw new Error(error.sentence);
  return before === 'idle' && after === 'idle' && shown === `${panel.revision}`; }"""


@pytest.fixture(scope="module")
def arranged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = seed_job(tmp_path_factory.mktemp("arranged") / "bench.job", most=6)
    arrange_job(folder)
    return folder.path


@pytest.fixture
def desk(tmp_path: Path, arranged: Path) -> Iterator[DeskServer]:
    shutil.copytree(arranged, tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        yield server


def toml(server: DeskServer) -> bytes:
    return (server.root / "bench.job" / "panel.toml").read_bytes()


def pockets(server: DeskServer) -> dict[str, PanelPocket]:
    return {p.pocket_id: p for p in panel_of(server).pockets}


def choose(page: Any, *ids: str) -> None:
    """Pockets of the list, the first alone, the others with Ctrl."""
    for k, pocket in enumerate(ids):
        button = page.locator(f".pockets button[data-pocket={pocket}]")
        button.click(modifiers=["Control"] if k else [])


def up_to_date(page: Any) -> None:
    """Kept, and the run that every edit starts is over."""
    kept(page)
    end = time.monotonic() + 240  # of a machine that does much else beside
    while not page.evaluate(IN_ORDER):
        assert time.monotonic() < end, "the panel is not made"
        page.wait_for_timeout(200)


def offered(page: Any, button: str) -> Any:
    page.get_by_role("button", name=button, exact=True).click()
    page.locator(".layout-one").first.wait_for(timeout=SEARCH_MS)
    return page.locator(".layout-one")


def test_choose_a_layout_lock_lay_the_rest_out_again_and_cut(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    page.set_default_timeout(60_000)
    typed = toml(desk)
    before = {i: p.region for i, p in pockets(desk).items()}
    found = offered(page, "Show layouts")
    assert found.count() == 3
    drawings = [found.nth(k).locator("svg").inner_html() for k in range(3)]
    assert len(set(drawings)) == 3
    assert axe_faults(page) == []
    assert toml(desk) == typed  # looking at layouts changes nothing
    found.nth(1).click()
    up_to_date(page)
    first = {i: p.region for i, p in pockets(desk).items()}
    assert first["T01"].hausdorff_distance(before["T01"]) > 5

    choose(page, "T03")
    page.locator(".picture").focus()
    page.keyboard.press("l")
    up_to_date(page)
    assert page.locator(".pockets button[data-pocket=T03]").inner_text().count("locked") == 1
    found = offered(page, "Lay out the rest again")
    assert found.first.locator("svg .held").count() == 1
    page.get_by_role("button", name="Show others").click()
    page.locator(".layout-one").first.wait_for(state="detached")
    page.locator(".layout-one").first.wait_for(timeout=SEARCH_MS)
    page.locator(".layout-one").nth(0).click()
    up_to_date(page)
    second = {i: p.region for i, p in pockets(desk).items()}
    assert second["T03"].hausdorff_distance(first["T03"]) < 0.05
    moved = [i for i in first if second[i].hausdorff_distance(first[i]) > 1]
    assert len(moved) >= 3, moved
    assert not [c for c in panel_of(desk).checks if c.severity == "fail"]

    page.get_by_role("button", name="Files", exact=True).click()
    page.locator("form.box").get_by_role("button", name="Make cutting files").click()
    page.locator(".file-list", has_text="READ-FIRST").wait_for(timeout=SEARCH_MS)
    settled(page)
    files = downloaded(page)
    drawn = []
    for name, data in files.items():
        if name.startswith("cut/") and name.endswith(".dxf"):
            doc = ezdxf.read(io.StringIO(data.decode("cp1252")))
            assert not doc.audit().errors
            for e in doc.modelspace().query("LWPOLYLINE"):
                points = [(x, y) for x, y, *_ in e.get_points()]
                drawn += [Polygon(points)] if len(points) > 8 else []
    assert len(drawn) >= len(second)

    page.get_by_role("button", name="Panel", exact=True).click()
    page.wait_for_selector(".one-pocket", state="attached")
    for _ in range(3):  # layout, lock, layout: back to the panel as it was found
        page.get_by_role("button", name="Undo").click()
        kept(page)
    up_to_date(page)
    after = {i: p.region for i, p in pockets(desk).items()}
    assert all(after[i].hausdorff_distance(before[i]) < 0.02 for i in before)
    page.get_by_role("button", name="Files", exact=True).click()
    page.locator(".old-files").wait_for()  # the files that were cut belong to another layout


def test_several_are_set_in_line_at_equal_gaps_and_moved_together(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    before = {i: p.region.bounds for i, p in pockets(desk).items()}
    choose(page, "T01", "T02", "T03")
    page.get_by_role("button", name="Upper sides in line").click()
    up_to_date(page)
    tops = [pockets(desk)[i].region.bounds[3] for i in ("T01", "T02", "T03")]
    # places are kept to 0.1 mm, and the page rounds what it aligns by as well
    assert tops == pytest.approx([max(before[i][3] for i in ("T01", "T02", "T03"))] * 3, abs=0.11)
    page.get_by_role("button", name="Equal gaps across").click()
    up_to_date(page)
    row = sorted(pockets(desk)[i].region.bounds for i in ("T01", "T02", "T03"))
    strips = [box(b[0], 0, b[2], 1) for b in row]
    gaps = [strips[k].distance(strips[k + 1]) for k in (0, 1)]
    assert gaps[0] == pytest.approx(gaps[1], abs=0.11)
    page.locator(".picture").focus()
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(700)
    up_to_date(page)
    after = sorted(pockets(desk)[i].region.bounds for i in ("T01", "T02", "T03"))
    for was, now in zip(row, after, strict=True):
        assert (now[0] - was[0], now[1] - was[1]) == pytest.approx((-1, -10), abs=0.03)
    for _ in range(3):
        page.get_by_role("button", name="Undo").click()
        kept(page)
    up_to_date(page)
    for i, p in pockets(desk).items():
        assert p.region.bounds == pytest.approx(before[i], abs=1e-6), i


def test_a_frame_chooses_and_a_drag_moves_all_but_the_locked(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    choose(page, "T01")
    page.get_by_role("button", name="Lock here (L)").click()
    up_to_date(page)
    page.locator(".picture").focus()
    page.keyboard.press("Escape")
    area = page.locator(".face").bounding_box()
    page.mouse.move(area["x"] + 2, area["y"] + 2)
    page.keyboard.down("Shift")
    page.mouse.down()
    page.mouse.move(area["x"] + area["width"] - 2, area["y"] + area["height"] - 2, steps=4)
    page.mouse.up()
    page.keyboard.up("Shift")
    assert page.locator(".one-pocket.chosen").count() == 6
    before = {i: p.region.bounds for i, p in pockets(desk).items()}
    x, y = on_screen(page, "T05")
    page.mouse.move(x, y)
    page.mouse.down()
    page.keyboard.down("Alt")
    page.mouse.move(x + 9, y - 6, steps=3)
    page.mouse.up()
    page.keyboard.up("Alt")
    up_to_date(page)
    after = {i: p.region.bounds for i, p in pockets(desk).items()}
    shifts = {i: (after[i][0] - before[i][0], after[i][1] - before[i][1]) for i in before}
    assert shifts.pop("T01") == pytest.approx((0, 0), abs=0.02)
    first, *rest = shifts.values()
    assert first[0] > 2 and first[1] > 2
    for other in rest:
        assert other == pytest.approx(first, abs=0.03)
    choose(page, "T01")
    x, y = on_screen(page, "T01")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y, steps=3)
    page.mouse.up()
    page.locator(".messages", has_text="is locked").wait_for()
    kept(page)
    assert pockets(desk)["T01"].region.bounds == after["T01"]


def test_a_notch_is_dragged_along_the_edge_and_by_keys(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    choose(page, "T02")
    pocket = pockets(desk)["T02"]
    was = pocket.notches[0].region.centroid
    grip = page.locator(".notch-grip").first.bounding_box()
    scale = page.evaluate("() => document.querySelector('.drawing').getScreenCTM().a")
    x, y = grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 20 * scale, steps=4)  # the tool stands upright, nearly
    assert page.locator(".notch-ghost").count() == 1
    page.mouse.up()
    up_to_date(page)
    after = pockets(desk)["T02"]
    now = after.notches[0].region.centroid
    assert now.y - was.y == pytest.approx(20, abs=2.5)
    assert after.region.bounds == pytest.approx(pocket.region.bounds)
    assert after.notches[0].region.intersects(after.region)
    page.locator(".picture").focus()
    for _ in range(5):
        page.keyboard.press(",")
    page.wait_for_timeout(700)
    up_to_date(page)
    slid = pockets(desk)["T02"].notches[0].region.centroid
    assert slid.distance(now) == pytest.approx(5, abs=0.3)
    plan = plan_from_toml(toml(desk), "panel.toml")
    assert len(plan.tool("T02").notches) == 1
    page.get_by_label("Finger notch").select_option("one")
    up_to_date(page)
    assert pockets(desk)["T02"].notches[0].sides == 1
    page.get_by_label("Finger notch").select_option("")
    up_to_date(page)
    assert pockets(desk)["T02"].notches[0].region.centroid.distance(was) < 0.05


@pytest.mark.parametrize(("width", "size"), [(380, "usual"), (1024, "large")])
def test_longer_words_break_neither_the_forms_nor_the_choice(
    desk: DeskServer, open_page: Open, width: int, size: str
) -> None:
    page = open_page(desk, viewport={"width": width, "height": 800})
    page.evaluate(
        f"() => {{ localStorage.setItem('tracer-language', 'long');"
        f" localStorage.setItem('tracer-size', '{size}'); }}"
    )
    page.reload()
    page.locator("nav button").nth(1).click()
    page.wait_for_selector(".one-pocket", state="attached")
    choose(page, "T01", "T02")
    assert page.evaluate(OVERFLOW) <= 0
    assert page.evaluate(CUT_OFF) == []
    assert axe_faults(page) == []
    page.locator(".layouts button.main").click()
    page.locator(".layout-one").first.wait_for(timeout=SEARCH_MS)
    assert page.evaluate(OVERFLOW) <= 0
    assert page.evaluate(CUT_OFF) == []
    assert axe_faults(page) == []


def test_foam_is_chosen_by_colour_with_its_contrast(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.locator(".foam-form > summary").click()
    page.locator(".foam-form [aria-live]", has_text="is seen").wait_for()
    page.get_by_label("Base", exact=True).select_option("blue")
    page.locator(".foam-form [aria-live]", has_text="are wanted").wait_for()
    up_to_date(page)
    assert any(c.slug == "contrast-low" for c in panel_of(desk).checks)
    page.get_by_label("Base", exact=True).select_option("white")
    page.get_by_label("Face, measured (mm)").fill("28,5")
    page.get_by_label("Face, measured (mm)").press("Enter")
    up_to_date(page)
    face, base = panel_of(desk).plies
    assert (face.stock.thickness_mm, base.stock.colour) == (28.5, "white")
    assert not any(c.slug == "contrast-low" for c in panel_of(desk).checks)
    shade = page.locator(".foam-form .swatch").nth(1).evaluate("e => e.style.background")
    assert shade == "rgb({}, {}, {})".format(*base.stock.rgb)


def test_a_foam_of_the_shop_is_typed_once_and_chosen_with_its_contrast(
    desk: DeskServer, open_page: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path / "settings"))
    page = shown(open_page(desk))
    page.locator(".foam-form > summary").click()
    form = page.locator(".own-foam-room")
    form.locator("summary").click()
    form.get_by_role("button", name="Keep this foam").click()
    page.locator(".messages", has_text="Give the foam a name").wait_for()
    form.get_by_label("Colour, as the shop calls it").fill("sand")
    form.get_by_label("Shade").fill("#d2be96")
    form.get_by_label("Thickness, measured (mm)").fill("12.5")
    form.get_by_label("Sheet (mm)").fill("2000 x 1000")
    form.get_by_role("button", name="Keep this foam").click()
    form.get_by_text("sand, 12.5 mm", exact=True).wait_for()
    base = page.get_by_label("Base", exact=True)
    # white (L = 0.2126 R + 0.7152 G + 0.0722 B, WCAG 2.1) of #d2be96 over 37 37 3a by hand: 6.5 : 1
    page.wait_for_function(
        """() => [...document.querySelectorAll('.foam-form select')[1].options]
             .some((o) => /^sand, 12.5 mm \\(6\\.\\d : 1\\)$/.test(o.textContent))"""
    )
    assert axe_faults(page) == []
    base.select_option("own-0")
    up_to_date(page)
    stock = panel_of(desk).plies[1].stock
    assert (stock.colour, stock.rgb, stock.thickness_mm) == ("sand", (210, 190, 150), 12.5)
    assert stock.size_mm == (2000, 1000)
    page.reload()
    page.locator(".foam-form > summary").click()
    page.wait_for_function(
        "() => document.querySelectorAll('.foam-form select')[1]?.value === 'own-0'"
    )
    form.locator("summary").click()
    form.get_by_role("button", name="Take out sand, 12.5 mm").click()
    form.locator("li").wait_for(state="detached")
    assert page.get_by_label("Base", exact=True).input_value() == "now"  # the job keeps its sheet
