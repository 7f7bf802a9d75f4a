"""A trial in foam: its page, its cutting file, what readings change, and what they do not."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import ezdxf
import numpy as np
import pypdfium2
import pytest
import shapely
from ezdxf import bbox
from shapely.geometry import Point, Polygon, box

from tests.cli.photos import TOOLS, jpeg
from tests.panel.bench import bar, outline
from tests.scene_maker import make_scene, make_view
from tests.scene_parts import CARDS, Card, Look, Tool
from tracer.cli.app import run
from tracer.errors import TracerError
from tracer.export.machine.profiles import read_machine
from tracer.export.paper.trial_page import PLACES_CARD_MM
from tracer.model.trial import Trial
from tracer.panel.pocket.readings import shifted
from tracer.photos import camera_of, decode_photo
from tracer.project.outlines_file import load_outlines
from tracer.project.phones import load_phones, save_phones
from tracer.project.printer import load_printed
from tracer.project.trial_file import load_trial
from tracer.workflows.proving.trial_sheet import trial_files

#: Council Regulation (EC) No 975/98, annex I: a 2 euro coin is 25.75 mm across and 2.20 mm thick
COIN = (25.75, 2.2)
BLOCK = (60.0, 20.0, 9.0)
SIZES = ["--coin", "25.75x2.2", "--block", "60x20", "--block-height", "9"]
TRIAL = Trial(
    machine="oscillating-knife", material="pe", thickness_mm=30.0, coin_mm=COIN, block_mm=BLOCK
)


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path / "settings"))
    monkeypatch.chdir(tmp_path)


@cache
def sheet_photo(things: bool = True, card: int = 0) -> bytes:
    """The upper part of the page with both things on it, a little off their places."""
    (cx, cy), (bx, by) = [(x, 112 - y) for x, y in PLACES_CARD_MM]
    disc = Point(cx + 1.5, cy - 1).buffer(COIN[0] / 2, quad_segs=64)
    tools = (Tool(disc, COIN[1], "blue"), Tool(box(bx - 30, by - 10, bx + 30, by + 10), 9, "blue"))
    view = make_view((1600, 1200), above_mm=(90, -20), height_mm=500.0, turn_deg=93)
    look = Look(ground="white paper", seed=1, sheet_mm=box(-14, -75, 196, 126))
    cards = (Card(card, 0.0, 0.0),)
    return jpeg(make_scene(tools if things else (), cards=cards, look=look, view=view))


def made(tmp_path: Path, *more: str) -> Path:
    assert run(["trial", "t", *SIZES, "--material", "pe", *more, "-q"]) == 0
    return tmp_path / "t"


def answer(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["trial", "t", *words, "--json", "-q"]) == code
    record: dict[str, Any] = json.loads(capsys.readouterr().out)
    return record


# -- the page ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_one_page_with_a_card_that_a_general_library_reads(
    paper: str, size_mm: tuple[float, float]
) -> None:
    """OpenCV's own detector of coded markers, and the distance of its corners on the page."""
    files = trial_files(TRIAL, read_machine("oscillating-knife"), paper=paper)
    document = pypdfium2.PdfDocument(files[f"trial-page-{paper}.pdf"])
    assert len(document) == 1
    page = document[0]
    assert [side / 72 * 25.4 for side in page.get_size()] == pytest.approx(size_mm, abs=0.1)
    dots = 8.0  # to the mm
    picture = np.asarray(page.render(scale=dots * 25.4 / 72).to_pil().convert("L"))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    found = {int(i): c[0] / dots for i, c in zip(np.asarray(ids).ravel(), corners, strict=True)}
    assert sorted(found) == [*range(12)]
    # card's drawing: markers of 21 mm in squares of 28; the first in the second square
    left = found[0][0][0] - 28 - 3.5
    top = found[0][0][1] - 3.5
    assert found[2][1][0] - left == pytest.approx(168 - 3.5, abs=0.2)
    # nothing is printed where the things lie, nor within 5 mm of them
    for (x, y), (w, h) in zip(PLACES_CARD_MM, ((COIN[0], COIN[0]), BLOCK[:2]), strict=True):
        at = [left + x - w / 2 - 5, left + x + w / 2 + 5]
        down = [top + y - h / 2 - 5, top + y + h / 2 + 5]
        a, b, c, d = (round(v * dots) for v in (*down, *at))
        assert picture[a:b, c:d].min() > 250
        # and the corner marks stand round it: the photo is laid by them
        a, b, c, d = (round(v * dots) for v in (down[0] - 2, down[1] + 2, at[0] - 2, at[1] + 2))
        assert picture[a:b, c:d].min() < 120


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_largest_things_leave_the_page_readable(paper: str) -> None:
    """White between pockets and table, over the fold, and at the rim a printer leaves blank."""
    large = replace(TRIAL, coin_mm=(35.0, 3.0), block_mm=(60.0, 25.0, 25.0))
    wide = replace(read_machine("oscillating-knife"), fit_offset_mm=1.0)
    page = pypdfium2.PdfDocument(trial_files(large, wide, paper=paper)[f"trial-page-{paper}.pdf"])[
        0
    ]
    dots = 8.0
    picture = np.asarray(page.render(scale=dots * 25.4 / 72).to_pil().convert("L"))
    high, across = (side / dots for side in picture.shape)
    fold = 6 + 132 + 56  # rim, card and strip, from above

    def white(x0: float, x1: float, y0: float, y1: float) -> bool:
        a, b, c, d = (round(v * dots) for v in (y0, y1, x0, x1))
        return bool(picture[a:b, c:d].min() > 250)

    table = across - 6 - 88
    assert white(table - 1.0, table - 0.3, fold + 6, high - 6 - 8)
    assert white(8, across - 30, fold - 0.7, fold - 0.3)
    assert not white(8, across - 30, fold - 0.3, fold + 0.3)  # the dashed line itself
    rims = ((0, 5.5, 0, high), (across - 5.5, across, 0, high), (0, across, high - 5.5, high))
    assert all(white(*rim) for rim in rims)


@pytest.mark.parametrize("machine", ["oscillating-knife", "co2-laser", "router"])
def test_the_pockets_read_by_another_reader(machine: str) -> None:
    """ezdxf reads the file; widths between straight sides are block and twice the gap.

    Gaps are those of docs/reference/panel-plan.md: easy +0.5, snug 0, press -0.4 a side.
    """
    profile = replace(read_machine(machine), fit_offset_mm=0.1, taper_mm_per_10mm=0.0)
    files = trial_files(replace(TRIAL, machine=machine), profile)
    name = next(n for n in files if n.endswith(".dxf") and "-reference" not in n)
    model = ezdxf.read(io.StringIO(files[name].decode())).modelspace()
    polygons = [
        Polygon([(p[0], p[1]) for p in line.flattening(0.001)])
        for entity in model
        if entity.dxf.layer == "through"
        for line in [ezdxf.path.make_path(entity)]
    ]
    assert bbox.extents(model).has_data and len(polygons) == 3
    kerf = profile.kerf_mm if profile.kerf.value == "file" else 0.0
    most = 0.05 if kerf else 0.02  # a line moved by half the kerf may lie 0.02 off on either side
    for polygon, gap in zip(
        sorted(polygons, key=lambda p: p.bounds[0]), (0.5, 0.0, -0.4), strict=True
    ):
        middle = polygon.centroid
        across = polygon.intersection(shapely.box(-999, middle.y - 1, 999, middle.y + 1))
        upright = polygon.intersection(shapely.box(middle.x - 1, -999, middle.x + 1, 999))
        width, length = across.bounds[2] - across.bounds[0], upright.bounds[3] - upright.bounds[1]
        assert width + kerf == pytest.approx(20 + 2 * gap + 0.2, abs=most)
        assert length + kerf == pytest.approx(60 + 2 * gap + 0.2, abs=most)


# -- the machine ---------------------------------------------------------------------------------


def test_pockets_give_a_profile_once_all_three_are_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = made(tmp_path)
    first = answer(capsys, "--easy", "61.26x21.22")
    assert "machine" not in first
    told = answer(capsys, "--snug", "60.24x20.26", "--press", "59.4x19.5")["machine"]
    # by hand: ((61.26-60)/2 + (21.22-20)/2) / 2 - 0.5 and so on
    assert told["walls_mm"] == pytest.approx([0.12, 0.125, 0.125], abs=1e-3)
    profile = read_machine(told["file"])
    assert profile.proved and profile.fit_offset_mm == pytest.approx(-0.123, abs=1e-3)
    assert profile.cut_sigma_mm == 0.05  # 0.003 was found; a calliper tells no less than 0.05
    # typed once more nothing is added twice, even where the trial was cut with that very profile
    again = answer(capsys, "--easy", "61.26x21.22", "--replace")["machine"]
    assert again["fit_offset_mm"] == told["fit_offset_mm"]
    assert load_trial((folder / "trial.json").read_bytes(), "t").read_mm["snug"] == (60.24, 20.26)


def test_readings_that_scatter_correct_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made(tmp_path)
    told = answer(capsys, "--easy", "61.0x20.8", "--snug", "60.5x20.5", "--press", "59.6x19.2")
    assert told["machine"]["fit_offset_mm"] == 0.0  # mean +0.1 of -0.05, +0.25, 0.1
    assert told["machine"]["cut_sigma_mm"] == 0.15  # 0.15 is what it was
    assert read_machine(told["machine"]["file"]).proved


# -- the phone -----------------------------------------------------------------------------------


def test_a_phone_is_proved_and_its_later_lays_are_moved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Sizes typed 0.6 mm small stand for a phone that sees edges 0.3 mm outside."""
    off = ["--coin", "25.15x2.2", "--block", "59.4x19.4", "--block-height", "9"]
    assert run(["trial", "t", *off, "--material", "pe", "-q"]) == 0
    (tmp_path / "sheet.jpg").write_bytes(sheet_photo())
    told = answer(capsys, "--card-size", "168.0x112.0", "--photo", "sheet.jpg")
    assert told["printer"] == {"x_mm": 100.0, "y_mm": 100.0} and load_printed() == (100.0, 100.0)
    phone = told["phone"]
    assert phone["readings"] == 3
    # the renderer's own truth is 0.3; edges of this photo are found to 0.1 mm
    assert phone["mean_mm"] == pytest.approx(0.3, abs=0.12)
    assert phone["correction_mm"] == pytest.approx(-phone["mean_mm"], abs=2e-3)
    # the same photo again counts once
    assert answer(capsys, "--photo", "sheet.jpg")["phone"]["readings"] == 3
    (tmp_path / "lay.jpg").write_bytes(jpeg(make_scene(TOOLS, cards=CARDS, look=Look(seed=0))))
    assert camera_of(sheet_photo(), "s") == camera_of((tmp_path / "lay.jpg").read_bytes(), "l")
    words = ["trace", "lay.jpg", "--card-size", "168.0x112.0", "--silhouettes", "classical", "-q"]
    capsys.readouterr()
    assert run([*words, "--job", "after", "--json"]) in (0, 3)
    checks = {c["slug"]: c for c in json.loads(capsys.readouterr().out)["checks"]}
    assert checks["edges-moved"]["value"] == pytest.approx(phone["correction_mm"], abs=1e-3)
    kept = (tmp_path / "settings" / "phones.json").read_bytes()
    save_phones({})
    assert run([*words, "--job", "before", "--json"]) in (0, 3)
    assert "edges-moved" not in capsys.readouterr().out
    before, after = (areas(tmp_path / f"{n}.job") for n in ("before", "after"))
    for name, plain in before.items():
        # an edge moved by d takes d times its length off the area (Steiner), holes included
        moved = (after[name].area - plain.area) / plain.length
        assert moved == pytest.approx(phone["correction_mm"], abs=0.02)
    # a lay keeps what it was first traced with, whatever is tried or forgotten later
    assert run(["trace", "--job", "after", "-q"]) in (0, 3)
    assert areas(tmp_path / "after.job") == after
    (tmp_path / "settings" / "phones.json").write_bytes(kept)
    assert run(["trace", "--job", "before", "-q"]) in (0, 3)
    assert areas(tmp_path / "before.job") == before


def test_a_thing_that_was_traced_wrongly_says_nothing_of_the_phone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Sizes typed 3 mm small: an edge 1.5 mm off is three times what is stated."""
    off = ["--coin", "22.75x2.2", "--block", "57x17", "--block-height", "9"]
    assert run(["trial", "t", *off, "--material", "pe", "-q"]) == 0
    (tmp_path / "sheet.jpg").write_bytes(sheet_photo())
    assert run(["trial", "t", "--card-size", "168x112", "--photo", "sheet.jpg", "-q"]) == 1
    assert "[trial-thing-off]" in capsys.readouterr().err
    assert load_phones() == {}
    assert (tmp_path / "t" / "trial.job" / "pictures").is_dir()  # to look at


def areas(job: Path) -> dict[str, Polygon]:
    content = load_outlines((job / "outlines.json").read_bytes(), "outlines.json")
    return {o.outline_id: o.region for o in content.outlines}


def test_what_is_moved_keeps_its_doubt() -> None:
    plain = outline(bar(), 1)
    holed = replace(plain, region=plain.region.difference(Point(plain.region.centroid).buffer(3)))
    moved = shifted(holed, -0.5)
    assert moved.region.exterior.is_ccw and moved.sigma_mm == holed.sigma_mm
    assert len(moved.sigma_ring_mm) == len(moved.region.exterior.coords) - 1
    x0, y0, x1, y1 = holed.region.bounds
    assert moved.region.bounds == pytest.approx((x0 + 0.5, y0 + 0.5, x1 - 0.5, y1 - 0.5), abs=1e-3)
    (hole,) = moved.region.interiors
    assert hole.bounds[2] - hole.bounds[0] == pytest.approx(7.0, abs=0.01)  # metal went away there
    assert shifted(holed, 0.0) is holed


def test_the_camera_is_told_without_its_pixels() -> None:
    data = sheet_photo()
    assert camera_of(data, "a.jpg") == decode_photo(data, "a.jpg", shrink=8).camera_key
    other = jpeg(make_scene((), look=Look(seed=1)), focal_35mm=28)
    assert camera_of(other, "b.jpg") != camera_of(data, "a.jpg")


# -- what the job sheet says ---------------------------------------------------------------------


def test_job_sheets_say_what_is_not_proven_until_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.cli.photos import put_job

    put_job(tmp_path)
    photo = (tmp_path / "bench.job" / "photos" / "lay1-1.jpg").read_bytes()

    def said(machine: str) -> str:
        assert run(["cut", "bench", "--machine", machine, "--json", "-q", "--replace"]) in (0, 3)
        return " ".join(json.loads(capsys.readouterr().out)["cautions"])

    words = said("oscillating-knife")
    assert "Not yet proven on this machine" in words
    assert "phone is not yet proven" in words and "printer is not yet proven" in words
    made(tmp_path)
    answer(capsys, "--card-size", "168.0x112.0")
    assert "printer" not in said("oscillating-knife")
    pockets = ["--easy", "61x21", "--snug", "60x20", "--press", "59.2x19.2"]
    profile = answer(capsys, *pockets)["machine"]["file"]
    save_phones({"another": {"p": (0.0,)}})
    assert "phone is not yet proven" in said(profile)
    save_phones({camera_of(photo, "p"): {"p": (0.0, 0.1, 0.0)}})
    words = said(profile)
    assert "proven" not in words
    page = next((tmp_path / "bench.job").rglob("READ-FIRST.pdf"))
    assert page.is_file()


# -- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("trial-missing", ["--easy", "61x21"]),
        ("trial-missing", []),
        ("trial-sizes-missing", ["--coin", "25.75x2.2"]),
        ("trial-sizes-wrong", ["--coin", "60x2", "--block", "60x20", "--block-height", "9"]),
        ("trial-sizes-wrong", ["--coin", "25x2", "--block", "90x20", "--block-height", "9"]),
        ("trial-sizes-wrong", ["--coin", "25x2", "--block", "60x40", "--block-height", "9"]),
        ("number-out-of-range", [*SIZES[:-1], "900"]),
        ("number-out-of-range", [*SIZES, "--card", "48"]),
        ("card-paper-unknown", [*SIZES, "--paper", "a5"]),
        ("machine-unknown", [*SIZES, "--machine", "nothing"]),
        ("material-forbidden", [*SIZES, "--machine", "co2-laser", "--material", "pvc"]),
        ("usage", [*SIZES, "--easy", "61x21"]),
        ("size-unreadable", ["--easy", "61"]),
    ],
)
def test_what_cannot_be_is_one_sentence_and_no_file(
    slug: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["trial", "t", *words]) in (1, 2)
    said = capsys.readouterr().err
    assert f"[{slug}]" in said and "Traceback" not in said
    assert not (tmp_path / "t").exists()


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("trial-board-missing", ["--photo", "sheet.jpg"]),
        ("printer-scale-wrong", ["--card-size", "160x107"]),
        ("card-size-implausible", ["--card-size", "168x90"]),
        ("trial-card-missing", ["--card-size", "168x112", "--photo", "other.jpg"]),
        ("trial-thing-missing", ["--card-size", "168x112", "--photo", "bare.jpg"]),
        ("photo-missing", ["--card-size", "168x112", "--photo", "none.jpg"]),
        ("trial-reading-wrong", ["--easy", "61x21", "--snug", "60x20", "--press", "49x19"]),
        ("file-exists", ["--easy", "61x21", "--snug", "60x20", "--press", "59x19"]),
    ],
)
def test_readings_that_cannot_be(
    slug: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made(tmp_path)
    (tmp_path / "sheet.jpg").write_bytes(sheet_photo())
    (tmp_path / "other.jpg").write_bytes(sheet_photo(card=3))
    (tmp_path / "bare.jpg").write_bytes(sheet_photo(things=False))
    (tmp_path / "t" / "oscillating-knife-own.toml").write_text("# mine\n")
    assert run(["trial", "t", *words, "-q"]) in (1, 2)
    said = capsys.readouterr().err
    assert f"[{slug}]" in said and "Traceback" not in said
    assert load_phones() == {}


@pytest.mark.parametrize(
    "text",
    ["{", "[]", '{"format": "tracer-trial", "version": 1, "machine": 3}', '{"format": "x"}'],
)
def test_a_damaged_trial(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = made(tmp_path)
    (folder / "trial.json").write_text(text)
    assert run(["trial", "t"]) == 1
    assert "[trial-damaged]" in capsys.readouterr().err


@pytest.mark.parametrize(
    "text", ["{", '{"phones": 3}', '{"phones": {"a": 3}}', '{"phones": {"a": {"p": ["x"]}}}']
)
def test_damaged_phones(text: str, tmp_path: Path) -> None:
    (tmp_path / "settings").mkdir()
    (tmp_path / "settings" / "phones.json").write_text(text)
    with pytest.raises(TracerError) as caught:
        load_phones()
    assert caught.value.slug == "phone-settings-damaged"
