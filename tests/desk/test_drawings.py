"""Drawings for emblems come in by the desk's own requests: kept as sent, or refused and not kept.

Sizes follow SVG 1.1 (a width with a unit over the view box) and the area of a ring.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from shapely.geometry import Polygon

from tests.desk.bench import seed_job
from tests.desk.client import Open
from tests.desk.conftest import serving
from tests.desk.test_additions_page import RING
from tests.desk.test_swapping import get
from tracer.desk.jobs import job_id
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import arrange_job


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Open]:
    seed_job(tmp_path / "bench.job", most=3)
    with serving(tmp_path, "bench") as server:
        keys = server.keys
        yield Open(server, job_id(tmp_path / "bench.job"), f"{keys.cookie}={keys.session}")


def sent(desk: Open, name: str, data: bytes) -> tuple[int, dict[str, object]]:
    path = f"/api/jobs/{desk.job}/drawings?name={quote(name)}"
    status, body, _ = desk.ask("PUT", path, data)
    return status, dict(json.loads(body))


def kept(desk: Open) -> dict[str, bytes]:
    room = desk.server.root / "bench.job" / "drawings"
    return {p.name: p.read_bytes() for p in room.iterdir()} if room.exists() else {}


def test_a_drawing_becomes_an_emblem_of_its_size(bench: Open) -> None:
    arrange_job(JobFolder(bench.server.root / "bench.job"))
    status, found = sent(bench, "wheel.svg", RING)
    assert (status, found["name"], found["size_mm"]) == (200, "wheel.svg", [40, 40])
    emblem = {"name": "wheel", "file": "wheel.svg", "x_mm": 60, "y_mm": 60, "height_mm": 20}
    change = {"path": ["plan", "emblems"], "was": None, "now": [emblem]}
    body = {"kind": "plan", "subject": "wheel", "changes": [change]}
    tag = get(bench, "")["revision"]
    status, data, _ = bench.ask(
        "POST", f"/api/jobs/{bench.job}/edits", json.dumps(body).encode(), if_match=tag
    )
    assert status == 200, data
    assert bench.over()["phase"] == "idle"
    (made,) = (f for f in get(bench, "/panel")["panel"]["fittings"] if f["kind"] == "emblem")
    outer, hole = (Polygon(r) for r in made["rings"])
    assert outer.area - hole.area == pytest.approx(math.pi * (10**2 - 6**2), rel=0.02)
    assert outer.centroid.coords[0] == pytest.approx((60, 60), abs=0.2)


def test_another_drawing_of_the_same_name_overwrites_nothing(bench: Open) -> None:
    assert sent(bench, "wheel.svg", RING)[1]["name"] == "wheel.svg"
    assert sent(bench, "wheel.svg", RING)[1]["name"] == "wheel.svg"
    other = RING.replace(b'r="12"', b'r="5"')
    assert sent(bench, "wheel.svg", other)[1]["name"] == "wheel-2.svg"
    assert kept(bench) == {"wheel.svg": RING, "wheel-2.svg": other}


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ("../../etc/wheel.svg", "wheel.svg"),
        ("C:\\drawings\\wheel.svg", "wheel.svg"),
        (".hidden.svg", "hidden.svg"),
        ("Rad <groß>.svg", "Rad -groß-.svg"),
        ("", "drawing"),
    ],
)
def test_names_are_plain_ones(bench: Open, given: str, name: str) -> None:
    status, found = sent(bench, given, RING)
    assert (status, found["name"]) == (200, name)
    assert set(kept(bench)) == {name}


@pytest.mark.parametrize(
    ("data", "slug"),
    [
        (b"<svg", None),
        (b"%PDF-1.7", "cutting-file-is-pdf"),
        (RING.replace(b"mm", b""), None),
        (RING[: RING.index(b"<circle")] + b"</svg>", "empty-drawing"),
        (b"<svg>" + b" " * 10_000_001, "drawing-too-large"),
    ],
)
def test_what_makes_no_emblem_is_refused_and_not_kept(
    bench: Open, data: bytes, slug: str | None
) -> None:
    status, found = sent(bench, "wheel.svg", data)
    error = dict(found["error"])  # type: ignore[call-overload]
    assert 400 <= status < 500 and error["sentence"]
    assert slug is None or error["slug"] == slug
    assert kept(bench) == {}
