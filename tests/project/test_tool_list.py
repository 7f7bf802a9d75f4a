"""Tool lists as spreadsheets write them (CSV: RFC 4180; byte order mark: Unicode standard)."""

from __future__ import annotations

import csv
import io
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracer.errors import TracerError
from tracer.model.outline import EdgeModel
from tracer.model.tool_list import ToolRow
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list

PLAIN = "name,x_px,y_px,height_mm\ncone spanner 15,100,200.5,7\n,300,400,\n"


def parse(text: str, encoding: str = "utf-8") -> tuple[ToolRow, ...]:
    return parse_tool_list(text.encode(encoding), "tools.csv").rows


def test_plain_list() -> None:
    first, second = parse(PLAIN)
    assert (first.name, first.x_px, first.y_px, first.height_mm) == (
        "cone spanner 15",
        100,
        200.5,
        7,
    )
    assert (second.name, second.height_mm, second.line) == (None, None, 3)


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";").replace("200.5", "200,5"),
        PLAIN.replace(",", "\t").replace("200.5", "200,5"),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("name,x_px", "Name , X_PX"),
        PLAIN.replace("cone spanner 15", '"cone spanner 15"'),
        "\n\n" + PLAIN + "\n,,,\n",
    ],
    ids=["mark", "semicolon", "tab", "crlf", "headings", "quotes", "empty lines"],
)
def test_spreadsheet_habits(text: str) -> None:
    rows = parse(text)
    assert [(r.name, r.x_px, r.y_px, r.height_mm) for r in rows] == [
        ("cone spanner 15", 100, 200.5, 7),
        (None, 300, 400, None),
    ]


def test_a_pose_is_read_kept_and_bounded() -> None:
    text = "name,x_px,y_px,pose\npliers,1,2, closed \nspanner,3,4,\n"
    listed = parse_tool_list(text.encode(), "tools.csv")
    assert [r.pose for r in listed.rows] == ["closed", None]
    again = parse_tool_list(format_tool_list(listed), "tools.csv")
    assert [r.pose for r in again.rows] == ["closed", None]
    with pytest.raises(TracerError) as refused:
        parse(text.replace("closed", "c" * 301))
    assert "pose" in refused.value.sentence


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_letters_of_any_kind(encoding: str) -> None:
    rows = parse("name,x_px,y_px,height_mm\nSchlüssel für Tretlager,1,2,3\n", encoding)
    assert rows[0].name == "Schlüssel für Tretlager"


def test_lengths_edges_and_own_columns() -> None:
    (row,) = parse("name,x_px,y_px,height_mm,edge,packed,shelf\npump,1,2,1.2cm,0.4,yes,B2\n")
    assert row.height_mm == pytest.approx(12)
    assert (row.edge, row.edge_fraction, row.packed) == (EdgeModel.FRACTION, 0.4, True)
    assert row.extra == {"shelf": "B2"}
    assert parse("x_px,y_px,edge\n1,2,Round\n")[0].edge is EdgeModel.ROUND


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,height_mm\na,1\n", "x_px and y_px"),
        ("name,x_px,y_px\na,here,2\n", "line 2, column x_px"),
        ("name,x_px,y_px\na,,2\n", "line 2, column x_px"),
        ("name,x_px,y_px,height_mm\n\na,1,2,tall\n", "line 3, column height_mm"),
        ("name,x_px,y_px,height_mm\na,1,2,-4\n", "between 0 and 500"),
        ("name,x_px,y_px,height_mm\na,1,2,7000\n", "between 0 and 500"),
        ("name,x_px,y_px,edge\na,1,2,square\n", "one of mid, thin"),
        ("name,x_px,y_px,edge\na,1,2,1.5\n", "fraction from 0 to 1"),
        ("name,x_px,y_px,height_mm\na,1,2,nan\n", "height_mm"),
    ],
)
def test_faults_are_placed(text: str, words: str) -> None:
    with pytest.raises(TracerError, match=words) as caught:
        parse(text)
    assert caught.value.slug == "tool-list-unreadable"


def test_a_spreadsheet_file_is_refused() -> None:
    with pytest.raises(TracerError, match="CSV"):
        parse_tool_list(b"PK\x03\x04\x00\x00", "tools.xlsx")


def test_an_empty_list_has_no_rows() -> None:
    assert parse("") == parse("\n\n") == ()


numbers = st.floats(0, 400).map(lambda v: round(v, 3))
rows = st.builds(
    ToolRow,
    name=st.none() | st.text(st.characters(categories=["L", "N", "P"]), min_size=1).map(str),
    x_px=st.floats(-50, 9000).map(lambda v: round(v, 1)),
    y_px=st.floats(-50, 9000).map(lambda v: round(v, 1)),
    height_mm=st.none() | numbers,
    edge=st.none() | st.sampled_from([EdgeModel.MID, EdgeModel.ROUND, EdgeModel.THIN]),
    mass_kg=st.none() | numbers,
    quantity=st.integers(1, 20),
    packed=st.booleans(),
    lay=st.integers(1, 3),
    extra=st.fixed_dictionaries({"shelf": st.sampled_from(["", "A1", 'say "ah", twice'])}),
)


@settings(suppress_health_check=[HealthCheck.too_slow])  # slow to draw on a busy machine
@given(st.lists(rows, max_size=5), st.sampled_from(",;\t"))
def test_what_is_written_reads_back(typed: list[ToolRow], delimiter: str) -> None:
    data = format_tool_list(ToolList(tuple(typed), delimiter))
    back = parse_tool_list(data, "tools.csv")
    expected = [
        replace(
            row,
            line=i,
            name=(unicodedata.normalize("NFC", row.name).strip() or None) if row.name else None,
        )
        for i, row in enumerate(typed, start=2)
    ]
    assert list(back.rows) == expected
    assert back.delimiter == delimiter or not typed


def test_written_as_rfc_4180() -> None:
    row = ToolRow(name='cutter, 6" long', x_px=1, y_px=2)
    data = format_tool_list(ToolList((row,)))
    assert data.count(b"\r\n") == 2
    assert list(csv.reader(io.StringIO(data.decode(), newline="")))[1][0] == 'cutter, 6" long'


@pytest.mark.parametrize("cell", ["", "-", "?"])
def test_an_edge_that_says_nothing_is_none(cell: str) -> None:
    data = f"name,x_px,y_px,edge\nblock,1,2,{cell}\n".encode()
    assert parse_tool_list(data, "tools.csv").rows[0].edge is None
