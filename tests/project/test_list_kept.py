"""A person's list comes back as it was, but for what changed (RFC 4180; Unicode standard 23.8)."""

from __future__ import annotations

import codecs
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracer.errors import TracerError, UsageError
from tracer.model.tool_list import ToolRow
from tracer.project.text_encoding import decoded, known_encoding
from tracer.project.tool_list import format_tool_list, parse_tool_list
from tracer.workflows.job.list_rows import in_file_order, merged_lists, rows_of_no_lay

OWN = (
    "# our tool board, measured in May\n"
    "Name;X_px;y_px;height_mm;shelf;;lay\n"
    "\n"
    "# by the window\n"
    '"cone; spanner";100,0;200,5; 7 mm;B2;left\n'
    "pump;300;400;;;right;2\n"
    ";500;600\n"
    "# end of the list\n"
)


def parse(text: str):  # type: ignore[no-untyped-def]
    return parse_tool_list(text.encode(), "tools.csv")


@pytest.mark.parametrize("text", [OWN, OWN.rstrip("\n"), OWN.replace("\n", "\r\n")])
def test_what_does_not_change_keeps_every_letter(text: str) -> None:
    tools = parse(text)
    assert [(r.name, r.height_mm, r.lay) for r in tools.rows] == [
        ("cone; spanner", 7, 1),
        ("pump", None, 2),
        (None, None, 1),
    ]
    assert format_tool_list(tools) == text.encode()


cells = st.text(st.sampled_from("aä°#\"'.-7 \u3042"), max_size=5).map(lambda t: t.replace('"', ""))
lines = st.one_of(
    st.tuples(
        cells, st.integers(0, 9000), st.floats(0, 9000).map(lambda v: round(v, 4)), cells
    ).map(lambda row: ";".join([row[0], str(row[1]), str(row[2]).replace(".", ","), "", row[3]])),
    st.sampled_from(["", ";;;", "# a note", '"# quoted; note"', '"two\nlines";1;2']),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(lines, max_size=8), st.sampled_from(["\n", "\r\n"]), st.booleans())
def test_any_list_that_is_read_is_written_back_as_it_was(
    body: list[str], end: str, ended: bool
) -> None:
    text = end.join(["name;x_px;y_px;height_mm;own", *body]) + (end if ended else "")
    assert format_tool_list(parse(text)).decode() == text


def test_a_changed_cell_changes_its_row_alone() -> None:
    tools = parse(OWN)
    rows = list(tools.rows)
    rows[0] = replace(rows[0], height_mm=8.5)
    expected = OWN.replace('"cone; spanner";100,0;200,5; 7 mm', '"cone; spanner";100,0;200,5;8,5')
    assert format_tool_list(tools.with_rows(rows)).decode() == expected


def test_a_column_that_is_lacking_comes_behind() -> None:
    tools = parse(OWN)
    rows = [*tools.rows[:2], replace(tools.rows[2], mass_kg=0.4)]
    text = format_tool_list(tools.with_rows(rows)).decode()
    assert text.splitlines()[1] == "Name;X_px;y_px;height_mm;shelf;;lay;mass_kg"
    assert text.splitlines()[6] == ";500;600;;;;;0,4"
    assert parse(text).rows[2].mass_kg == 0.4


def test_notes_outlive_the_row_below_them() -> None:
    tools = parse(OWN)
    text = format_tool_list(tools.with_rows(tools.rows[1:])).decode()
    assert "# by the window" in text
    assert "cone" not in text


def test_a_name_that_begins_like_a_note_is_a_tool() -> None:
    (row,) = parse("name,x_px,y_px\n#2 driver,10,20\n#only a note\n").rows
    assert row.name == "#2 driver"


def test_a_run_keeps_the_order_and_rows_of_lays_to_come() -> None:
    given = parse(OWN)
    first, _, third = given.rows
    found = [ToolRow("T02", 800, 900), third, first]  # as a run over one lay gives them
    after = in_file_order(given, found, lays=1)
    assert [r.name for r in after.rows] == ["cone; spanner", "pump", None, "T02"]
    assert b"right;2" in format_tool_list(after)
    (told,) = rows_of_no_lay(given, 1, "tools.csv")
    assert "line 6 (pump)" in told.sentence
    assert rows_of_no_lay(given, 2, "tools.csv") == ()


def test_another_list_is_taken_in_row_by_row() -> None:
    own = parse(OWN)
    given = parse(
        "# lent by Kim\nname,x_px,y_px,height_mm,owner\n"
        "cone spanner,101,199,,Kim\n"  # the same place within 3 px: no height said
        "pump,310,400,30,\n"  # another lay's pump is another pump
        ",501,600,4,\n"
    )
    merged, told = merged_lists(own, given, None, "other.csv")
    text = format_tool_list(merged).decode()
    by_name = {(r.name, r.lay): r for r in merged.rows}
    assert by_name[("cone spanner", 1)].height_mm == 7  # an empty cell takes nothing away
    assert by_name[("cone spanner", 1)].extra["owner"] == "Kim"
    assert by_name[("pump", 2)].height_mm is None
    assert by_name[("pump", 1)].height_mm == 30
    assert by_name[(None, 1)].height_mm == 4
    assert len(merged.rows) == 4
    for note in ("measured in May", "by the window", "end of the list", "lent by Kim"):
        assert note in text
    assert "2 of its rows changed, 1 are new" in told[-1].sentence


@pytest.mark.parametrize("text", ["", "\n", "name,x_px,y_px\n", "# nothing yet\n"])
def test_an_empty_list_takes_nothing_away(text: str) -> None:
    own = parse(OWN)
    merged, _ = merged_lists(own, parse(text), 1, "other.csv")
    assert [replace(r, line=0) for r in merged.rows] == [replace(r, line=0) for r in own.rows]


def test_rows_without_a_lay_belong_to_the_lay_that_is_traced() -> None:
    given = parse("name,x_px,y_px,lay\na,1,2,\nb,3,4,1\nc,5,6,5\n")
    merged, _ = merged_lists(None, given, 3, "other.csv")
    assert [(r.name, r.lay) for r in merged.rows] == [("a", 3), ("b", 1), ("c", 5)]
    without = parse("name,x_px,y_px\na,1,2\n")
    merged, _ = merged_lists(parse(OWN), without, 2, "other.csv")
    assert {(r.name, r.lay) for r in merged.rows} >= {("a", 2), ("pump", 2)}


# -- encodings --------------------------------------------------------------------------------
HEAD = "name,x_px,y_px,height_mm\r\n"
NAMES = {
    "German": ("Schlüssel für Tretlager", "Maßband", "Säge groß"),
    "French": ("Clé à molette", "Démonte-pneu", "Pince à câble"),
    "Danish": ("Skruetrækker", "Nøgle 15", "Målebånd"),
    "Polish": ("Klucz płaski", "Śrubokręt mały", "Młotek żółty"),
    "Russian": ("Отвертка", "Ключ 15", "Молоток"),
    "Greek": ("Κατσαβίδι", "Κλειδί"),
    "Japanese": ("ドライバー", "レンチ"),
}


def text_of(language: str) -> str:
    return HEAD + "".join(f"{n},{100 + i},200,7\r\n" for i, n in enumerate(NAMES[language]))


@pytest.mark.parametrize(
    ("language", "encoding"),
    [
        ("German", "cp1252"),
        ("German", "cp850"),
        ("French", "cp1252"),
        ("French", "mac_roman"),
        ("Danish", "cp1252"),
        ("Danish", "cp850"),
        ("Polish", "cp1250"),
        ("Polish", "cp852"),
        ("Russian", "cp1251"),
        ("Russian", "cp866"),
        ("Greek", "cp1253"),
        ("Japanese", "shift_jis"),
    ],
)
def test_usual_encodings_are_told_and_said(language: str, encoding: str) -> None:
    tools = parse_tool_list(text_of(language).encode(encoding), "tools.csv")
    assert [r.name for r in tools.rows] == list(NAMES[language])
    (note,) = tools.notes
    assert note.slug == "list-encoding"
    assert f"line 2 reads '{NAMES[language][0]}'" in note.sentence
    again = format_tool_list(tools)  # what is no Unicode is written as UTF-8, marked as such
    assert again == text_of(language).encode("utf-8-sig")
    assert parse_tool_list(again, "tools.csv").notes == ()


@pytest.mark.parametrize("language", NAMES)
@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (b"", "utf-8"),
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ],
)
def test_unicode_is_written_back_as_it_came(language: str, mark: bytes, encoding: str) -> None:
    data = mark + text_of(language).encode(encoding)
    tools = parse_tool_list(data, "tools.csv")
    assert [r.name for r in tools.rows] == list(NAMES[language])
    assert format_tool_list(tools) == data
    assert tools.notes == ()
    changed = [replace(tools.rows[0], height_mm=9.0), *tools.rows[1:]]
    text = text_of(language).replace("200,7\r\n", "200,9\r\n", 1)
    assert format_tool_list(tools.with_rows(changed)) == mark + text.encode(encoding)


def test_utf_16_without_its_mark() -> None:
    for encoding in ("utf-16-le", "utf-16-be"):
        tools = parse_tool_list(text_of("German").encode(encoding), "tools.csv")
        assert [r.name for r in tools.rows] == list(NAMES["German"])


def test_where_two_fit_the_person_is_asked() -> None:
    data = (HEAD + "Söge,1,2,3\r\n").encode("cp850")
    with pytest.raises(TracerError, match="Say which when tracing: cp850") as caught:
        parse_tool_list(data, "tools.csv")
    assert caught.value.slug == "list-encoding-unsure"
    assert "'Söge' in cp850" in caught.value.sentence
    (row,) = parse_tool_list(data, "tools.csv", known_encoding("CP850")).rows
    assert row.name == "Söge"


@pytest.mark.parametrize(
    ("data", "encoding", "words"),
    [
        (codecs.BOM_UTF8 + b"name,x_px,y_px\na\xff,1,2\n", None, "line 2: byte 17 of the file"),
        (codecs.BOM_UTF16_LE + "name\n".encode("utf-16-le") + b"a", None, "line 2"),
        (b"name,x_px,y_px\n\x81,1,2\n", "cp1252", "line 2: byte 16 of the file .0x81."),
        (b"name,x_px,y_px\n\x00\x01\x02,1,2\n", None, "not a text file"),
    ],
)
def test_what_fits_nothing_is_refused_with_its_place(
    data: bytes, encoding: str | None, words: str
) -> None:
    with pytest.raises(TracerError, match=words) as caught:
        decoded(data, "tools.csv", encoding)
    assert caught.value.slug == "tool-list-unreadable"


def test_a_sample_is_shown_in_one_short_line() -> None:
    """A stray control byte must not reach the terminal, nor a cell of hundreds of letters."""
    data = ("name,x_px,y_px\r\nB\x16\x1b[31mü" + "u" * 250 + ",1,2\r\n").encode("cp1252")
    (note,) = parse_tool_list(data, "tools.csv", "cp1252").notes
    assert note.sentence.isprintable() and len(note.sentence) < 200


@pytest.mark.parametrize(
    "name", ["klingon", "rot13", "hex", "base64", "zip", "undefined", "idna", "punycode", "\0", ""]
)
def test_a_name_of_no_encoding(name: str) -> None:
    """Python's own table also holds ciphers, packers and codecs for addresses."""
    with pytest.raises(UsageError, match="not the name of an encoding") as caught:
        known_encoding(name)
    assert caught.value.slug == "encoding-unknown"
