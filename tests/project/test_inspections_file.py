"""``inspections.csv`` and what was learned: read by Python's csv and json, kept, refused."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pytest

from tracer.errors import TracerError
from tracer.model.inspection import InspectedPanel, PocketFinding, PocketState
from tracer.project.inspections_file import COLUMNS, Record, any_missing, with_record
from tracer.project.learned_file import dump_learned, load_learned

FOUND = InspectedPanel(
    "Bench",
    (
        PocketFinding("T01", 1, "spanner; \"13\"", PocketState.MISSING, 0.99, {}),
        PocketFinding("T02", 2, "pump", PocketState.PRESENT, 0.99, {}),
    ),
    {},
)  # fmt: skip
FULL = InspectedPanel("Bench", FOUND.findings[1:], {})


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_lines_are_added_and_a_persons_stay() -> None:
    first = with_record(None, Record("2026-11-29T17:00:00+01:00", "=Kim", FULL))
    assert first.startswith(b"\xef\xbb\xbf") and not any_missing(first)
    noted = first + b"my own note"
    second = with_record(noted, Record("2026-11-30T17:00:00+01:00", "", FOUND))
    assert second.startswith(noted) and any_missing(second)
    found = rows(second)
    assert tuple(found[0]) == COLUMNS and len(found) == 3
    assert found[0]["by"] == "'=Kim"  # a spreadsheet shows it and does not calculate
    assert found[2]["missing"] == "1" and found[2]["missing_tools"] == '1 spanner; "13"'


def test_a_file_that_makes_no_sense_tells_nothing() -> None:
    assert not any_missing(b"\xff\xfe\x00")
    assert not any_missing(b"when,by\n1,2\n")


def test_what_was_learned_comes_back() -> None:
    data = dump_learned({(240, 210, 20): np.array([20.0, 16.0, 0.2])}, "empty.jpg")
    assert json.loads(data)["floors"][0]["typed"] == [240, 210, 20]
    assert load_learned(data, "x")[240, 210, 20] == pytest.approx([20, 16, 0.2])


@pytest.mark.parametrize(
    ("slug", "body"),
    [
        ("job-damaged", b"{"),
        ("job-damaged", b"[]"),
        ("job-damaged", b'{"format": "tracer-learned", "version": 1}'),
        (
            "job-damaged",
            b'{"format": "tracer-learned", "version": 1,'
            b' "floors": [{"typed": [1, 2, 3], "over_face": [0, 1, 1]}]}',
        ),
        ("job-newer", b'{"format": "tracer-learned", "version": 2, "floors": []}'),
    ],
)
def test_damage_is_told(slug: str, body: bytes) -> None:
    with pytest.raises(TracerError) as caught:
        load_learned(body, "learned.json")
    assert caught.value.slug == slug
