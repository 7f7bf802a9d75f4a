"""Drawings that hold more than they seem to: refused, or examined within a stated time."""

from __future__ import annotations

import io
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

from tests.campaigns.words import programmers_words
from tests.desk.bench import seed_job
from tracer.errors import TracerError
from tracer.export.dxf.read import read_dxf
from tracer.export.examine.file import examine
from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.export.svg.read import read_svg
from tracer.geometry import sweep
from tracer.geometry.sweep import sweep_pairs
from tracer.ranges import COUNTS
from tracer.workflows.arranging.shelf import draw_into_job, drawn_regions

#: what any input may cost at most, in seconds of this process alone
LONGEST_S = 20.0


def dxf(draw: Callable[[Any, Any], object]) -> bytes:
    doc = ezdxf.new("R2000", units=4)
    draw(doc, doc.modelspace())
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode("cp1252")


def refusal(read: Callable[[bytes], object], data: bytes) -> TracerError:
    """The refusal, in words for a maker, in time."""
    begin = time.process_time()
    with pytest.raises(TracerError) as caught:
        read(data)
    assert time.process_time() - begin < LONGEST_S
    assert programmers_words(str(caught.value)) is None, str(caught.value)
    return caught.value


def nested(doc: Any, space: Any) -> None:
    """Ten of a block in each of seven: ten million circles."""
    doc.blocks.new("B0").add_circle((0, 0), 5)
    for level in range(1, 7):
        block = doc.blocks.new(f"B{level}")
        for i in range(10):
            block.add_blockref(f"B{level - 1}", (i, 0))
    for i in range(10):
        space.add_blockref("B6", (0, i))


def array(rows: int, spacing: float, empty: bool = False) -> Callable[[Any, Any], None]:
    def draw(doc: Any, space: Any) -> None:
        block = doc.blocks.new("B")
        if not empty:
            block.add_circle((0, 0), 5)
        grid = {"row_count": rows, "column_count": rows}
        grid |= {"row_spacing": spacing, "column_spacing": spacing}
        space.add_blockref("B", (0, 0), dxfattribs=grid)

    return draw


@pytest.mark.parametrize(
    ("draw", "words"),
    [
        (nested, "corners together"),
        (array(30_000, 20), "objects"),
        (array(30_000, 20, empty=True), "objects"),
        (lambda _, s: s.add_line((0, 0), (1e9, 0)), "reaches 1e+09"),
        (lambda _, s: s.add_lwpolyline([(0, 0), (0, 1e300), (5, 5)]), "reaches 1e+300"),
        (lambda _, s: s.add_ellipse((0, 0), (1e12, 0), 0.5), "radius"),
        (lambda _, s: s.add_lwpolyline([(i, i % 7) for i in range(50_001)]), "50000 corners"),
        (
            # each half circle has some 1500 chords, all together 1.5 million
            lambda _, s: s.add_lwpolyline([(i % 2 * 2000, i, 1.0) for i in range(1000)], "xyb"),
            "1000000 corners together",
        ),
    ],
)
def test_a_drawing_that_multiplies_is_refused(
    draw: Callable[[Any, Any], object], words: str
) -> None:
    error = refusal(read_dxf, dxf(draw))
    assert error.slug == "drawing-too-large"
    assert words in error.sentence, error.sentence


def test_an_array_of_blocks_is_opened_up_and_one_in_place_counts_once() -> None:
    assert len(read_dxf(dxf(array(3, 20))).curves) == 9
    assert len(read_dxf(dxf(array(30_000, 0))).curves) == 1


def test_too_many_objects_are_refused_before_they_are_parsed() -> None:
    point = b"  0\nPOINT\n  8\n0\n 10\n0.0\n 20\n0.0\n"
    data = b"  0\nSECTION\n  2\nENTITIES\n" + point * 60_001 + b"  0\nENDSEC\n  0\nEOF\n"
    begin = time.process_time()
    assert refusal(read_dxf, data).slug == "drawing-too-large"
    assert time.process_time() - begin < 3.0


SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'
BOMB = "".join(
    f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)


def svg(body: str, head: str = "") -> bytes:
    return f"{head}{SVG}{body}</svg>".encode()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (svg("<g>" * 5000 + "</g>" * 5000), "100 deep"),
        (svg("<g/>" * 60_001), "60000 objects"),
        (svg('<path d="M0 0z"/>' * 20_001), "20000 curves"),
        (svg(f'<path d="M0,0{" l1,1" * 50_001}z"/>'), "50000 corners"),
        (svg(f'<path d="M0,0{" c1,1 2,2 3,3" * 700}z"/>' * 30), "1000000 corners"),
        (svg('<path d="M0 0 L 1e12 0 1e12 1e12z"/>'), "reaches"),
        (svg('<circle r="1e9"/>'), "reaches"),
        (svg('<path d="M 0 0 a 1e12 1e12 0 1 0 1 1 z"/>'), "radius"),
        (svg("<text>&i;</text>", f'<!DOCTYPE svg [<!ENTITY a "a">{BOMB}]>'), "abbreviations"),
        (
            f'<!DOCTYPE svg [<!ENTITY a "a">]>{SVG}</svg>'.encode("utf-16"),
            "abbreviations",
        ),
        (
            svg("&x;", '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/hostname">]>'),
            "abbreviations",
        ),
        (svg("<g>"), "line 1"),
        (svg("&nothing;"), "line 1"),
        (svg("\x00"), "line 1"),
        (b'<?xml version="1.0" encoding="klingon"?><svg/>', "line 1"),
        (svg(f'<g transform="{"scale(1)" * 20_000}"/>'), "20000 steps"),
        (svg('<path d="M 0"/>'), "cannot be understood"),
        (svg('<rect width="1e308" height="1e308" transform="scale(1e308)"/>'), "too large"),
    ],
)  # fmt: skip
def test_a_hostile_svg_file_is_refused(data: bytes, words: str) -> None:
    assert words in str(refusal(read_svg, data))


@pytest.mark.parametrize(
    "text", ["m" * 300_000, "9" * 300_000 + "!", "scale (" * 50_000, " " * 9999]
)
def test_no_attribute_takes_the_square_of_its_length(text: str) -> None:
    begin = time.process_time()
    body = f'<rect width="5" height="5" transform="{text}"/>'
    data = svg(body).replace(b'width="100mm"', f'width="{text}mm"'.encode())
    assert len(read_svg(data).curves) == 1
    assert time.process_time() - begin < 3.0


def file_of(rings: list[np.ndarray]) -> ReadFile:
    curves = tuple(ReadCurve("0", "LWPOLYLINE", r, True) for r in rings)
    return ReadFile(1.0, "AC1015", curves, {})


def disc(radius: float, corners: int, x: float = 0.0, y: float = 0.0) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return np.column_stack([x + radius * np.cos(t), y + radius * np.sin(t)])


def stacked() -> list[np.ndarray]:
    return [disc(50, 40)] * 20_000


def almost_stacked() -> list[np.ndarray]:
    return [disc(50, 40) + 1e-4 * i for i in range(20_000)]


def rings_in_one_another() -> list[np.ndarray]:
    return [disc(50 + i, 40) for i in range(20_000)]


def side_by_side() -> list[np.ndarray]:
    return [disc(3, 48, 10 * (i % 140), 10 * (i // 140)) for i in range(19_600)]


def fine_stacked() -> list[np.ndarray]:
    return [disc(500 + 0.01 * i, 50_000) for i in range(20)]


def scribbles() -> list[np.ndarray]:
    rng = np.random.default_rng(1)
    return [rng.random((50_000, 2)) * 100 for _ in range(4)]


@pytest.mark.parametrize(
    ("make", "slugs"),
    [
        # a busy machine may end the examination before the first pair
        (stacked, {"curve-doubled", "examined-in-part"}),
        (almost_stacked, {"curve-doubled", "examined-in-part"}),
        (rings_in_one_another, set()),
        (side_by_side, set()),
        (fine_stacked, {"curve-doubled", "examined-in-part"}),
        (scribbles, {"examined-in-part"}),
    ],
)
def test_curves_over_one_another_are_examined_in_time(
    make: Callable[[], list[np.ndarray]], slugs: set[str]
) -> None:
    begin = time.process_time()
    done = examine(file_of(make()))
    assert time.process_time() - begin < LONGEST_S
    assert not slugs or slugs & {c.slug for c in done.checks}


def test_loose_ends_in_one_place_are_joined_in_time() -> None:
    # 20 000 strokes from one point: each end has all the others as neighbours
    lines = [np.array([(0.0, 0.0), end]) for end in disc(100, 20_000)]
    curves = tuple(ReadCurve("0", "LINE", p, False) for p in lines)
    begin = time.process_time()
    done = examine(ReadFile(1.0, "AC1015", curves, {}))
    assert time.process_time() - begin < LONGEST_S
    assert len(done.open) == 20_000


def test_what_patience_does_not_suffice_for_is_said() -> None:
    rings = [disc(5, 30, 20 * i, 0) for i in range(30)]
    whole, part = examine(file_of(rings)), examine(file_of(rings), patience_s=-1.0)
    assert "examined-in-part" not in [c.slug for c in whole.checks]
    said = next(c for c in part.checks if c.slug == "examined-in-part")
    assert "curves that cross themselves" in said.sentence


def test_the_bound_of_a_sweep_holds_every_pair(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "MOST_PAIRS", 0)
    rng = np.random.default_rng(2)
    for points in (disc(10, 200), rng.random((200, 2)), rng.random((200, 2)) * (1, 100)):
        ends = np.stack([points, np.roll(points, -1, axis=0)])
        low, high = ends.min(axis=0), ends.max(axis=0)
        meet = (low[:, None] <= high[None]).all(axis=2) & (low[None] <= high[:, None]).all(axis=2)
        assert np.triu(meet, 1).sum() <= sweep_pairs(points)
    assert sweep_pairs(disc(10, 2000)) < 2000 * 6  # an outline is no scribble


def test_a_drawing_of_more_tools_than_are_taken_is_refused() -> None:
    most = int(COUNTS["tools in one drawing that is taken for outlines"].high)
    rings = [disc(3, 12, 10 * i, 0) for i in range(most + 1)]
    curves = file_of(rings).curves
    assert len(drawn_regions(curves[:most], 1.0)) == most
    with pytest.raises(TracerError, match="more than 500 tools"):
        drawn_regions(curves, 1.0)
    holes = [disc(900, 12), *(disc(1, 8, 3 * (i % 100), 3 * (i // 100)) for i in range(6000))]
    begin = time.process_time()
    with pytest.raises(TracerError):
        drawn_regions(file_of(holes).curves, 1.0)
    assert time.process_time() - begin < LONGEST_S


def test_curves_that_lie_on_each_other_make_sound_tools() -> None:
    """Drawn twice, a hole on the edge, holes that overlap: areas of the figures by hand."""
    plate = np.array([(0, 0), (60, 0), (60, 40), (0, 40)], float)
    at_edge = np.array([(0, 10), (20, 10), (20, 20), (0, 20)], float)
    overlapping = [np.array([(a, 25), (a + 10, 25), (a + 10, 35), (a, 35)], float) for a in (5, 10)]
    for rings, area in (
        ([plate, plate], 2400.0),
        ([plate, plate[::-1], np.roll(plate, 1, axis=0)], 2400.0),
        ([plate, at_edge], 2200.0),
        ([plate, at_edge, at_edge], 2200.0),
        ([plate, *overlapping], 2250.0),
    ):
        (tool,) = drawn_regions(file_of(rings).curves, 1.0)
        assert tool.is_valid
        assert tool.area == pytest.approx(area)


def test_what_a_job_could_not_give_back_is_refused(tmp_path: Path) -> None:
    """A comb whose teeth are narrower than a job's file rounds to; the job stays as it was."""
    job = seed_job(tmp_path / "bench.job")
    before = {p: p.read_bytes() for p in job.path.rglob("*") if p.is_file()}
    rng = np.random.default_rng(5)
    x = np.linspace(0, 3000, 1500)
    upper = np.column_stack([x, 0.0004 + 0.00008 * rng.random(1500)])
    lower = np.column_stack([x[::-1], -0.00008 * rng.random(1500)])
    outline = " ".join(f"{a:.6f},{b:.6f}" for a, b in (*upper, *lower))
    drawing = tmp_path / "comb.svg"
    drawing.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="3000mm" height="1mm"'
        f' viewBox="0 0 3000 1"><polygon points="{outline}"/></svg>'
    )
    with pytest.raises(TracerError) as caught:
        draw_into_job(job, drawing, height_mm=12.0)
    assert caught.value.slug == "outline-too-fine"
    assert programmers_words(caught.value.sentence) is None
    assert {p: p.read_bytes() for p in job.path.rglob("*") if p.is_file()} == before


def test_names_out_of_the_file_are_quoted_and_short() -> None:
    data = dxf(lambda _, s: s.add_lwpolyline([(0, 0), (5, 5), (9, 0)], dxfattribs={"layer": "nan"}))
    for check in examine(read_dxf(data)).checks:
        assert programmers_words(check.sentence) is None, check.sentence


def overflowing(doc: Any, space: Any) -> None:
    square = [(0, 0), (50, 0), (50, 40), (0, 40)]
    space.add_lwpolyline(square, close=True)
    space.add_lwpolyline([(x, y, 1e200) for x, y in square], format="xyb", close=True)
    space.add_arc((0, 0), 1e300, 0, 90)
    space.add_arc((0, 0), float("inf"), 0, 90)


def test_arcs_beyond_any_number_are_left_out_or_told_without_a_warning() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            read = read_dxf(dxf(overflowing))
        except TracerError as error:
            assert error.slug == "drawing-too-large" and "inf" not in error.sentence
        else:
            assert len(read.curves) >= 1
