"""Letters as closed outlines, measured against the font file itself."""

from __future__ import annotations

import pytest
from fontTools.pens.areaPen import AreaPen
from fontTools.ttLib import TTFont

from tracer.export.drawing.lettering import lettering, text_width_mm
from tracer.geometry.loops import bounds, polygon_of, signed_area


@pytest.fixture(scope="module")
def font() -> TTFont:
    import io

    from tracer.export.drawing.lettering import font_bytes

    return TTFont(io.BytesIO(font_bytes()))


@pytest.mark.parametrize("letter", ["H", "O", "g", "8", "ä", "Ж", "ł"])
def test_area_is_the_fonts_own(letter: str, font: TTFont) -> None:
    glyphs = font.getGlyphSet()
    pen = AreaPen(glyphs)
    glyphs[font.getBestCmap()[ord(letter)]].draw(pen)
    scale = 10.0 / font["glyf"]["H"].yMax
    drawn = sum(signed_area(loop) for loop in lettering(letter, 0, 0, 10.0).loops)
    # curves in six chords each: below half a percent of the letter
    assert drawn == pytest.approx(abs(pen.value) * scale**2, rel=5e-3)


def test_cap_height_and_place() -> None:
    x0, y0, _, y1 = bounds(lettering("H", 30, 40, 7.0).loops[0])
    assert y1 - y0 == pytest.approx(7.0, abs=1e-6)
    assert y0 == pytest.approx(40)
    assert 30 <= x0 < 32
    wide = text_width_mm("T12", 5)
    middle = [bounds(loop) for loop in lettering("T12", 0, 0, 5, centred=True).loops]
    assert min(b[0] for b in middle) == pytest.approx(-wide / 2, abs=1)
    assert max(b[2] for b in middle) == pytest.approx(wide / 2, abs=1)


def test_every_loop_is_closed_simple_and_rightly_turned() -> None:
    letters = lettering("B08 Ångström Ключ", 0, 0, 5.0)
    assert letters.missing == ""
    assert all(polygon_of(loop).is_valid for loop in letters.loops)
    holes = [loop for loop in letters.loops if signed_area(loop) < 0]
    # B two, 0 one, 8 two, A and its ring, g, o-umlaut: counters run the other way
    assert len(holes) >= 6


def test_turned_text_keeps_its_area() -> None:
    flat = sum(signed_area(loop) for loop in lettering("T7", 0, 0, 5).loops)
    turned = sum(signed_area(loop) for loop in lettering("T7", 9, 9, 5, angle_rad=0.7).loops)
    assert turned == pytest.approx(flat)


def test_missing_letters_are_told() -> None:
    letters = lettering("扳手 10", 0, 0, 5)
    assert letters.missing == "扳手"
    assert letters.loops
