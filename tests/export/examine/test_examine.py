"""Examining files: each fault is found, at its place, in files that other programs could write."""

from __future__ import annotations

import io
import random
from collections.abc import Callable

import ezdxf
import pytest
from ezdxf.layouts import Modelspace

from tests.export.drawings import cut_drawing, reference_drawing
from tracer.errors import TracerError
from tracer.export.dxf.read import read_dxf
from tracer.export.dxf.write import DxfOptions, DxfVersion, dxf_bytes
from tracer.export.examine.file import Examined, examine
from tracer.export.reading.curves import ReadFile
from tracer.export.svg.read import read_svg
from tracer.export.svg.write import svg_bytes
from tracer.model.report import Severity

SQUARE = [(50, 50), (150, 50), (150, 150), (50, 150)]


def foreign(draw: Callable[[Modelspace], object], units: int = 4, version: str = "R2000") -> bytes:
    """A file written straight with ezdxf: a sheet of 300 x 200, and what ``draw`` adds."""
    doc = ezdxf.new(version, units=units)
    space = doc.modelspace()
    space.add_lwpolyline([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
    draw(space)
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode("cp1252")


def found(data: bytes, **options: float) -> Examined:
    return examine(read_dxf(data), **options)


def slugs(done: Examined) -> list[str]:
    return [check.slug for check in done.checks]


def test_our_own_files_are_clean() -> None:
    for options in (DxfOptions(), DxfOptions(straight=True)):
        assert slugs(found(dxf_bytes(cut_drawing(), options))) == []
    assert slugs(examine(read_svg(svg_bytes(cut_drawing())))) == []
    assert slugs(found(dxf_bytes(reference_drawing()))) == ["scale-confirmed"]
    old = found(dxf_bytes(reference_drawing(), DxfOptions(version=DxfVersion.R12)))
    assert sorted(slugs(old)) == ["scale-confirmed", "unit-missing"]


def test_a_sound_foreign_file_is_clean() -> None:
    done = found(foreign(lambda s: s.add_lwpolyline(SQUARE, close=True)))
    assert slugs(done) == ["scale-confirmed"]
    assert done.size_mm == (300, 200)


FAULTS: dict[str, Callable[[Modelspace], object]] = {
    "curve-open": lambda s: s.add_lwpolyline(SQUARE),
    "curve-doubled": lambda s: [s.add_lwpolyline(SQUARE, close=True) for _ in range(2)],
    "curve-crosses-itself": lambda s: s.add_lwpolyline(
        [(50, 50), (150, 150), (150, 50), (50, 150)], close=True
    ),
    "curve-kind-risky": lambda s: s.add_spline(
        [(50, 50), (150, 60), (120, 150), (50, 50)], degree=3
    ),
    "segment-tiny": lambda s: s.add_lwpolyline([(50, 50), (50.001, 50), *SQUARE[1:]], close=True),
    "not-a-curve": lambda s: s.add_text("T01").set_placement((50, 50)),
    "curves-overlap": lambda s: [
        s.add_lwpolyline(SQUARE, close=True),
        s.add_circle((150, 100), 20),
    ],
    "curve-outside-sheet": lambda s: [
        s.add_lwpolyline(
            [(1, 1), (299, 1), (299, 199), (1, 199)],
            dxfattribs={"layer": "sheet-edge"},
            close=True,
        ),
        s.add_circle((290, 100), 20),
    ],
    "curve-near-edge": lambda s: s.add_circle((22, 100), 20),
    "curve-without-area": lambda s: s.add_lwpolyline([(60, 60), (90, 90)], close=True),
    "curve-in-pieces": lambda s: [
        s.add_line(SQUARE[i], SQUARE[(i + 1) % 4]) for i in range(4)
    ],
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_found(fault: str) -> None:
    done = found(foreign(FAULTS[fault]))
    assert fault in slugs(done)
    check = next(c for c in done.checks if c.slug == fault)
    assert check.sentence
    assert check.remedy
    if fault.startswith("curve") and check.where_mm is not None:
        assert 0 <= check.where_mm[0] <= 310


def test_places_and_values_are_right() -> None:
    near = next(c for c in found(foreign(FAULTS["curve-near-edge"])).checks)
    assert near.value == pytest.approx(2.0, abs=0.01)
    assert near.where_mm == pytest.approx((2.0, 100.0), abs=1.0)
    crossing = next(
        c for c in found(foreign(FAULTS["curve-crosses-itself"])).checks
        if c.slug == "curve-crosses-itself"
    )  # fmt: skip
    assert crossing.where_mm == pytest.approx((100, 100))
    gap = found(foreign(lambda s: s.add_lwpolyline([*SQUARE, (50, 50.4)])))
    open_ = next(c for c in gap.checks if c.slug == "curve-open")
    assert open_.value == pytest.approx(0.4)
    assert "gap of 0.40" in open_.sentence


def test_loose_pieces_that_meet_are_no_open_curves() -> None:
    done = found(foreign(FAULTS["curve-in-pieces"]))
    assert "curve-open" not in slugs(done)
    assert len(done.closed) == 2


def test_lines_that_almost_meet_still_meet() -> None:
    def square(space: Modelspace) -> None:
        for i in range(4):
            (x0, y0), (x1, y1) = SQUARE[i], SQUARE[(i + 1) % 4]
            space.add_line((x0 + 0.004, y0 - 0.003), (x1, y1))

    assert "curve-open" not in slugs(found(foreign(square)))


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        # ratios of unit lengths: 25.4 mm to the inch, 96 px and 72 points to the inch
        (25.4, "inches"),
        (1 / 25.4, "inches"),
        (25.4 / 96, "screen pixels"),
        (72 / 25.4, "points"),
        (0.1, "centimetres"),
    ],
)
def test_a_wrong_scale_is_explained(factor: float, words: str) -> None:
    corners = [(x * factor, y * factor) for x, y in SQUARE]
    done = found(foreign(lambda s: s.add_lwpolyline(corners, close=True)))
    check = next(c for c in done.checks if c.slug == "scale-wrong")
    assert words in check.sentence
    assert check.severity is Severity.FAIL


def test_inches_are_read_as_inches_and_said() -> None:
    # DXF reference: $INSUNITS 1 = inches
    side = 100 / 25.4
    corners = [(0.5, 0.5), (0.5 + side, 0.5), (0.5 + side, 0.5 + side), (0.5, 0.5 + side)]
    done = found(foreign(lambda s: s.add_lwpolyline(corners, close=True), units=1))
    assert {"unit-not-mm", "scale-confirmed"} <= set(slugs(done))
    assert done.size_mm[0] == pytest.approx(300 * 25.4)
    assert "unit-missing" in slugs(found(foreign(lambda s: None, units=0)))


def test_blocks_are_opened_up() -> None:
    doc = ezdxf.new("R2000", units=4)
    block = doc.blocks.new("B")
    block.add_lwpolyline(SQUARE, close=True)
    doc.modelspace().add_blockref("B", (10, 10), dxfattribs={"xscale": 0.5, "yscale": 0.5})
    stream = io.StringIO()
    doc.write(stream)
    done = found(stream.getvalue().encode("cp1252"), square_mm=50.0)
    assert {"scale-confirmed", "not-a-curve"} <= set(slugs(done))


@pytest.mark.parametrize("data", [b"", b"  0\nSECTION\n", b"%PDF-1.4", bytes(range(256)) * 20])
def test_rubbish_is_refused_in_one_sentence(data: bytes) -> None:
    with pytest.raises(TracerError) as caught:
        read_dxf(data)
    assert caught.value.slug in {"not-a-dxf-file", "empty-drawing"}


def test_a_block_that_holds_itself_ends() -> None:
    doc = ezdxf.new("R2000", units=4)
    block = doc.blocks.new("B")
    block.add_circle((0, 0), 20)
    block.add_blockref("B", (5, 5))
    doc.modelspace().add_blockref("B", (50, 50))
    stream = io.StringIO()
    doc.write(stream)
    assert len(found(stream.getvalue().encode("cp1252")).closed) == 1


@pytest.mark.parametrize("seed", range(4))
def test_damaged_files_give_findings_or_one_sentence(seed: int) -> None:
    rng = random.Random(seed)
    sources: list[tuple[Callable[[bytes], ReadFile], bytes]] = [
        (read_dxf, foreign(FAULTS["curve-kind-risky"])),
        (read_dxf, dxf_bytes(cut_drawing(), DxfOptions(version=DxfVersion.R12))),
        (read_svg, svg_bytes(cut_drawing())),
    ]
    outcomes = set()
    for number in range(24):
        read, good = sources[number % 3]
        data = bytearray(good)
        for _ in range(rng.randint(1, 4)):
            data[rng.randrange(len(data) // 3, len(data))] = rng.choice(b"0123456789.-eE\nAZ")
        if number % 5 == 0:
            del data[rng.randrange(len(data)) :]
        try:
            examine(read(bytes(data)))
            outcomes.add("read")
        except TracerError as error:
            outcomes.add(error.slug)
    assert len(outcomes) > 1


def test_a_circle_of_a_thousand_kilometres_is_refused_before_it_is_cut_into_chords() -> None:
    doc = ezdxf.new("R2000")
    doc.modelspace().add_circle((0, 0), 1e9)
    stream = io.StringIO()
    doc.write(stream)
    with pytest.raises(TracerError) as caught:
        read_dxf(stream.getvalue().encode())
    assert caught.value.slug == "drawing-too-large"
