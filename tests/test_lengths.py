"""Lengths as typed. The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.errors import UsageError
from tracer.lengths import format_length, parse_length_mm, parse_size_mm


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("12", 12.0),
        (" 12mm ", 12.0),
        ("1.2cm", 12.0),
        (".5in", 12.7),
        ("1/2in", 12.7),
        ("1 1/2 in", 38.1),
        ('3/8"', 9.525),
        ("-2", -2.0),
        ("1.5m", 1500.0),
    ],
)
def test_reads_lengths(text: str, mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize("text", ["", "1,5", "12 px", "1/0in", "mm", "1e3", "12mmm", "nan", "0x1"])
def test_refuses_what_is_no_length(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_length_mm(text)
    assert caught.value.slug == "length-unreadable"
    assert caught.value.exit_code == 2


def test_a_decimal_comma_is_named() -> None:
    with pytest.raises(UsageError, match="point"):
        parse_length_mm("1,5")


@given(st.floats(0.001, 5000))
def test_what_is_shown_reads_back(mm: float) -> None:
    shown = format_length(mm, digits=4)
    assert parse_length_mm(shown) == pytest.approx(mm, abs=5.1e-5)  # four digits shown
    inches = format_length(mm, inch=True, digits=4)
    assert parse_length_mm(inches) == pytest.approx(mm, abs=1.3e-5)  # six digits of an inch


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("168.0x112.0", (168.0, 112.0)),
        ("60cm X 40cm", (600.0, 400.0)),
        ("6.5x4.25in", (165.1, 107.95)),
    ],
)
def test_reads_sizes(text: str, size: tuple[float, float]) -> None:
    assert parse_size_mm(text) == pytest.approx(size)


@pytest.mark.parametrize("text", ["168", "168x", "0x112", "168x-112", "1x2x3"])
def test_refuses_what_is_no_size(text: str) -> None:
    with pytest.raises(UsageError):
        parse_size_mm(text)
