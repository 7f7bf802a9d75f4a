"""From dropped photos to downloaded files in a real browser, through the real stages.

The photo is rendered with exact truth; the downloaded DXF is measured with ezdxf, which audits it,
and shapely, neither of which the desk's page knows.
"""

from __future__ import annotations

import base64
import io
import time
import zipfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from ezdxf import path as dxf_path
from PIL import Image
from shapely.geometry import Polygon, box

from tests.desk.conftest import serving
from tests.scene_maker import Scene, make_scene
from tests.scene_parts import Look, Tool, placed, spanner
from tracer.desk.server import DeskServer

Open = Callable[..., Any]


@cache
def scene() -> Scene:
    tools = [
        Tool(placed(spanner(150, 13), 150, 150, 20), 5.0, "black rubber"),
        Tool(placed(box(0, 0, 120, 26), 330, 230, -10), 12.0, "black rubber"),
    ]
    return make_scene(tools, look=Look(ground="white paper", light="window"), size_px=(1600, 1200))


@cache
def photo_bytes() -> bytes:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26  # 35 mm equivalent, Exif 2.32
    out = io.BytesIO()
    Image.fromarray(scene().photo.pixels).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


@pytest.fixture
def empty_desk(tmp_path: Path) -> Iterator[DeskServer]:
    with serving(tmp_path) as server:
        yield server


def drop(page: Any, name: str, data: bytes, kind: str = "image/jpeg") -> None:
    """Drop a file onto the page as a person does."""
    page.locator(".zone").wait_for()
    page.evaluate(
        """([name, text, kind]) => {
             const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
             const data = new DataTransfer();
             data.items.add(new File([bytes], name, {type: kind}));
             document.querySelector('.zone').dispatchEvent(
               new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true})); }""",
        [name, base64.b64encode(data).decode(), kind],
    )


def up_to_date(page: Any) -> None:
    page.wait_for_function(
        """() => document.querySelector('.kept')?.textContent === 'Kept'
                 && document.querySelector('.run').hidden""",
        timeout=90_000,
    )


def downloaded(page: Any) -> dict[str, bytes]:
    page.get_by_role("button", name="Files", exact=True).click()
    link = page.get_by_role("link", name="Download all")
    with page.expect_download() as waiting:
        link.click()
    path = Path(waiting.value.path())
    # what drives Firefox keeps its downloads to itself: the same address is asked again
    data = path.read_bytes() if path.exists() else fetched(page, link.get_attribute("href"))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def fetched(page: Any, address: str) -> bytes:
    """What the page itself gets from an address."""
    text = page.evaluate(
        """async (address) => {
             const bytes = new Uint8Array(await (await fetch(address)).arrayBuffer());
             let text = '';
             for (const byte of bytes) text += String.fromCharCode(byte);
             return btoa(text); }""",
        address,
    )
    return base64.b64decode(text)


def outlines_in(files: dict[str, bytes]) -> list[Polygon]:
    """Closed outlines of the drawing, largest first."""
    doc = ezdxf.read(io.StringIO(files["outlines.dxf"].decode("cp1252")))
    assert not doc.audit().errors and doc.units == ezdxf.units.MM
    shapes = []
    for entity in doc.modelspace().query("LWPOLYLINE[layer=='outline']"):
        points = [(p.x, p.y) for p in dxf_path.make_path(entity).flattening(0.01)]
        shapes.append(Polygon(points))
    outer = [s for s in shapes if not any(o is not s and o.contains(s) for o in shapes)]
    return sorted(outer, key=lambda s: -s.area)


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The photos in which tools were looked for, in order."""
    from tracer.workflows.tracing import trace as module

    looked: list[str] = []
    search = module.segment

    def noted(photo: Any, *rest: Any, **more: Any) -> Any:
        looked.append(photo.photo_id)
        return search(photo, *rest, **more)

    monkeypatch.setattr(module, "segment", noted)
    return looked


def test_drop_trace_type_correct_download(
    empty_desk: DeskServer, any_page: Open, searches: list[str]
) -> None:
    page = any_page(empty_desk)
    drop(page, "lay.jpg", photo_bytes())
    page.get_by_label("Name of the job").fill("whole way")
    page.get_by_role("button", name="Trace").click()
    page.locator(".run progress").wait_for(state="visible")
    page.wait_for_selector(".seen path", state="attached", timeout=90_000)
    assert page.locator(".tools tbody tr").count() == 2

    # heights by place, since numbers run in reading order
    truth = {round(t.plan.area): t.height_mm for t in scene().tools}
    for row in page.locator(".tools tbody tr").all():
        long_side = float(row.locator("td.size").inner_text().split("×")[0])
        height = 5 if long_side > 140 else 12
        row.locator("input[data-column=height_mm]").fill(str(height))
        row.locator("input[data-column=name]").fill(f"long {long_side:.0f}")
        row.locator("input[data-column=mass_kg]").focus()
    up_to_date(page)
    assert len(searches) == 1  # what is typed about a tool says nothing about where it lies
    before = downloaded(page)
    shapes = outlines_in(before)
    plans = sorted((Polygon(t.plan.exterior) for t in scene().tools), key=lambda p: -p.area)
    assert len(shapes) == len(truth) == 2
    for found, plan in zip(shapes, plans, strict=True):
        # the photo has 0.6 mm a pixel; an edge out by one pixel all round is the limit
        assert found.area == pytest.approx(plan.area, abs=0.6 * plan.length)

    # take a known bite out of the bar with the brush: the file must lose just that
    page.get_by_role("button", name="Outlines", exact=True).click()
    page.get_by_role("button", name="Take away").click()
    page.get_by_label("Brush width (px)").fill("60")
    centre = scene().view.to_photo([scene().tools[1].plan.centroid.coords[0]])[0]
    page.locator(".picture").click(position=screen(page, centre))
    page.keyboard.press("Enter")
    up_to_date(page)
    after = outlines_in(downloaded(page))
    mm = float(scene().view.mm_per_px([scene().tools[1].plan.centroid.coords[0]])[0])
    bite = np.pi * min(30 * mm, 13) ** 2
    assert bite > 100
    assert [round(s.area) for s in after] != [round(s.area) for s in shapes]
    lost = sum(s.area for s in shapes) - sum(s.area for s in after)
    hole = lost == pytest.approx(0, abs=1)  # a bite inside the bar is a hole in it
    assert hole or lost > 0.3 * bite

    page.get_by_role("button", name="Undo").click()
    up_to_date(page)
    again = downloaded(page)
    # the outline's revision counts on; its shape is what it was
    for found, was in zip(outlines_in(again), shapes, strict=True):
        assert found.equals(was)

    # drop a tool: it is gone from the file, and comes back
    page.get_by_role("button", name="Outlines", exact=True).click()
    page.locator(".tools tbody tr").first.get_by_role("button", name="Drop").click()
    page.wait_for_function("() => document.querySelectorAll('.tools tbody tr').length === 1")
    up_to_date(page)
    assert len(outlines_in(downloaded(page))) == 1
    page.get_by_role("button", name="Undo").click()
    up_to_date(page)
    assert len(outlines_in(downloaded(page))) == 2

    # dropped by mistake and kept again: the drop alone is taken back
    page.get_by_role("button", name="Outlines", exact=True).click()
    page.locator(".tools tbody tr").first.get_by_role("button", name="Drop").click()
    page.wait_for_selector(".dropped path", state="attached")
    page.get_by_role("button", name="Keep", exact=True).click()
    middle = page.evaluate(
        """() => { const b = document.querySelector('.dropped path').getBBox();
                   return [b.x + b.width / 2, b.y + b.height / 2]; }"""
    )
    page.locator(".picture").click(position=screen(page, middle))
    page.wait_for_function("() => document.querySelectorAll('.tools tbody tr').length === 2")
    up_to_date(page)
    assert len(searches) == 1  # no correction of what was found looks for it anew


def screen(page: Any, point_px: Any) -> dict[str, float]:
    """Where a photo pixel is in the picture element, once the picture stands still.

    A new tool brings another line of advice, so that the picture moves a moment later.
    """
    here = _now(page, point_px)
    for _ in range(40):
        page.wait_for_timeout(100)
        before, here = here, _now(page, point_px)
        if np.hypot(here[0] - before[0], here[1] - before[1]) < 0.5:
            break
    return {"x": here[0], "y": here[1]}


def _now(page: Any, point_px: Any) -> tuple[float, float]:
    x, y = page.evaluate(
        """([x, y]) => { const m = document.querySelector('.drawing').getScreenCTM();
             const p = new DOMPoint(x, y).matrixTransform(m);
             const b = document.querySelector('.picture').getBoundingClientRect();
             return [p.x - b.x, p.y - b.y]; }""",
        [float(point_px[0]), float(point_px[1])],
    )
    return float(x), float(y)


def test_a_file_that_is_no_photo_is_refused_where_it_was_dropped(
    empty_desk: DeskServer, open_page: Open
) -> None:
    page = open_page(empty_desk)
    drop(page, "notes.jpg", b"shopping list: foam, glue")
    refusal = page.locator(".refusal")
    refusal.wait_for()
    assert "notes.jpg is not a picture that can be read" in refusal.inner_text()
    assert page.get_by_role("button", name="Trace").is_disabled()


def test_a_photo_without_cards_leads_back_to_the_photos(
    empty_desk: DeskServer, open_page: Open
) -> None:
    page = open_page(empty_desk)
    out = io.BytesIO()
    Image.new("RGB", (800, 600), (120, 130, 125)).save(out, "JPEG")
    drop(page, "bare.jpg", out.getvalue())
    page.get_by_label("Name of the job").fill("bare")
    page.get_by_role("button", name="Trace").click()
    refusal = page.locator(".refusal")
    refusal.wait_for(timeout=60_000)
    assert "no-card" in refusal.inner_text()
    assert page.locator(".photos li").count() == 1  # still there, to be taken out or completed
    assert not (empty_desk.root / "bare.job").exists()


def test_a_run_can_be_stopped(
    empty_desk: DeskServer, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracer.workflows.tracing import trace as module

    search = module.segment

    def slow(*given: Any, **more: Any) -> Any:
        time.sleep(2.0)  # so that it is not over before Stop is pressed
        return search(*given, **more)

    monkeypatch.setattr(module, "segment", slow)
    page = open_page(empty_desk)
    drop(page, "lay.jpg", photo_bytes())
    page.get_by_label("Name of the job").fill("stopped")
    page.get_by_role("button", name="Trace").click()
    page.get_by_role("button", name="Stop").click()
    page.locator(".refusal").wait_for(timeout=60_000)
    assert "What was not finished was not changed" in page.locator(".refusal").inner_text()
    assert not (empty_desk.root / "stopped.job").exists()
