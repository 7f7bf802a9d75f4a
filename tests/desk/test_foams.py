"""The shop's own list of foams, by the desk's requests: kept beside the printer's bars."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.client import Open
from tests.desk.conftest import serving
from tracer.project.foam_stock import load_foams

SAND = {
    "colour": "sand",
    "rgb": [210, 190, 150],
    "material": "eva",
    "thickness_mm": 28.5,
    "size_mm": [2000.0, 1000.0],
}


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path / "settings"))
    with serving(tmp_path) as server:
        keys = server.keys
        yield Open(server, "", f"{keys.cookie}={keys.session}")


def sent(desk: Open, path: str, body: Any) -> tuple[int, dict[str, Any]]:
    status, data, _ = desk.ask("POST", path, json.dumps(body).encode())
    return status, json.loads(data)


def test_foams_are_typed_once_and_known_to_every_desk(desk: Open) -> None:
    assert json.loads(desk.ask("GET", "/api/foams")[1])["own"] == []
    status, found = sent(desk, "/api/foams", {"was": [], "now": [SAND]})
    assert (status, found["own"]) == (200, [SAND])
    (foam,) = load_foams()
    assert (foam.colour, foam.rgb, foam.thickness_mm) == ("sand", (210, 190, 150), 28.5)
    with serving(desk.server.root) as other:
        keys = other.keys
        again = Open(other, "", f"{keys.cookie}={keys.session}")
        assert json.loads(again.ask("GET", "/api/foams")[1])["own"] == [SAND]
        # the first desk's page has not seen this change: it is asked, not overwritten
        assert sent(again, "/api/foams", {"was": [SAND], "now": []})[0] == 200
    status, found = sent(desk, "/api/foams", {"was": [SAND], "now": [SAND, SAND]})
    assert (status, found["error"]["slug"]) == (409, "edit-conflict")
    assert load_foams() == ()


@pytest.mark.parametrize(
    "now",
    [
        None,
        [3],
        [{}],
        [{**SAND, "rgb": [1, 2]}],
        [{**SAND, "thickness_mm": 0}],
        [{**SAND, "colour": " "}],
        [{**SAND, "colour": "s" * 301}],
        [{**SAND, "size_mm": [2000]}],
        [{**SAND, "more": 1}],
        [SAND] * 201,
    ],
)
def test_what_is_no_foam_is_refused_and_not_kept(desk: Open, now: Any) -> None:
    status, found = sent(desk, "/api/foams", {"was": [], "now": now})
    assert 400 <= status < 500 and found["error"]["sentence"]
    assert load_foams() == ()


@pytest.mark.parametrize(
    "pairs",
    [None, [[1, 2]], [[[0, 0, 0]]], [[[0, 0, 0], [0, 0, 256]]], [[[0, 0, 0], [0, 0, True]]]],
)
def test_what_is_no_pair_of_colours_is_refused(desk: Open, pairs: Any) -> None:
    assert sent(desk, "/api/foams/contrast", {"pairs": pairs})[0] == 422
