"""Messages met by doing what brings them up: the wrong command, file, or lay. One row each."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

import tracer
from tests.calibration.bench import Flaws, detect, draw_papers, make_photo, make_view, rim
from tests.panel.bench import bar, outline, plan, spanner
from tests.parallax.single_view.test_single import camera
from tracer.calibration.calibrate import calibrate, refuse_too_many, solve_lay
from tracer.cli.app import run
from tracer.errors import TracerError
from tracer.export.drawing.coupon import draw_coupon, fit_from_hole
from tracer.export.examine.file import examine
from tracer.export.machine.profiles import read_machine
from tracer.export.paper.cards import card_shapes, cards_pdf
from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.model.panel_plan import KeepOutPlan, PlainPocketPlan, PlyPlan
from tracer.model.report import Check
from tracer.model.tool_list import ToolRow
from tracer.panel.layout.bay import keep_outs
from tracer.panel.pocket.looseness import islands_left_out
from tracer.project.foam_stock import load_foams
from tracer.project.printer import load_printed
from tracer.project.tool_list import ToolList
from tracer.workflows.arranging.panel_tools import job_tools
from tracer.workflows.job.list_rows import rows_of_no_lay
from tracer.workflows.swapping.swap import SwapOptions, find_outline, near_neighbours, the_new_one
from tracer.workflows.tracing.choosing import chosen_check
from tracer.workflows.tracing.lay_photos import without_doubles
from tracer.workflows.tracing.naming import unlikely_heights

PLAIN_SVG = '<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 9 9">{body}</svg>'


@pytest.mark.parametrize(
    ("slug", "words"),
    [
        ("number-out-of-range", ["cards", "--numbers", "48"]),
        ("number-out-of-range", ["cards", "--per-page", "3"]),
        ("card-paper-unknown", ["cards", "--paper", "b7"]),
        ("mat-too-small", ["cards", "--mat", "300x200"]),
        ("cutting-file-missing", ["check", "no such file.dxf"]),
        ("cutting-file-is-pdf", ["check", "a.pdf"]),
        ("coupon-nothing-read", ["coupon", "--machine", "router", "--save", "own.toml"]),
        ("machine-file-name", ["coupon", "--hole", "3", "--strips", "100", "--save", "own.txt"]),
        ("number-unreadable", ["arrange", "bench", "--turn", "askew"]),
        ("manifest-empty", ["batch", "empty", "--out", "out"]),
        ("manifest-unreadable", ["batch", "list.csv", "--out", "out"]),
        ("input-missing", ["batch", "nowhere", "--out", "out"]),
        ("cluster-unreachable", ["batch", "lays", "--out", "out", "--scheduler", "nowhere"]),
    ],
)
def test_commands_that_cannot_work(
    slug: str,
    words: Sequence[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.pdf").write_bytes(b"%PDF-1.7\n")
    (tmp_path / "empty").mkdir()
    (tmp_path / "lays" / "one").mkdir(parents=True)
    (tmp_path / "lays" / "one" / "a.jpg").write_bytes(b"\xff\xd8\xff")
    (tmp_path / "list.csv").write_text("name;colour\nbench;red\n")
    if slug == "cluster-unreachable":
        pytest.importorskip("distributed")
    assert run([*words]) in (1, 2)
    said = capfd.readouterr().err
    assert f"[{slug}]" in said
    assert "Traceback" not in said


def test_a_port_that_is_taken(tmp_path: Path) -> None:
    from tracer.desk.server import DeskServer

    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(TracerError) as caught:
            DeskServer(tmp_path, None, other.getsockname()[1]).open()
    assert caught.value.slug == "desk-port-taken"


def test_no_network_and_no_temporary_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracer.desk import jobs, server

    class Nowhere:
        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> Nowhere:
            return self

        def __exit__(self, *_: object) -> None: ...
        def connect(self, _: object) -> None:
            raise OSError("unreachable")

    with monkeypatch.context() as patch:
        patch.setattr(server.socket, "socket", Nowhere)
        with pytest.raises(TracerError) as caught:
            server.lan_address()
        assert caught.value.slug == "desk-no-network"

    def full(**_: object) -> object:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(jobs.tempfile, "TemporaryDirectory", full)
    with pytest.raises(TracerError) as caught:
        jobs.Desk(tmp_path)
    assert caught.value.slug == "desk-no-temporary-folder"


def drawn(tmp_path: Path, size: str, body: str) -> Path:
    path = tmp_path / "drawn.svg"
    path.write_text(PLAIN_SVG.format(size=size, body=body))
    return path


def damaged_settings(tmp_path: Path) -> None:
    (tmp_path / "printer.json").write_text("{")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRACER_SETTINGS", str(tmp_path))
        load_printed()


def damaged_foams(tmp_path: Path) -> None:
    (tmp_path / "foams.json").write_text('{"foams": [{"colour": "sand"}]}')
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRACER_SETTINGS", str(tmp_path))
        load_foams()


def draw_without_unit(tmp_path: Path) -> None:
    from tracer.project.store import JobFolder
    from tracer.workflows.arranging.shelf import draw_into_job

    path = drawn(tmp_path, "", '<path d="M0 0H5V5H0Z"/>')
    draw_into_job(JobFolder(tmp_path / "bench.job"), path, height_mm=10.0)


def draw_without_outline(tmp_path: Path) -> None:
    from tracer.project.store import JobFolder
    from tracer.workflows.arranging.shelf import draw_into_job

    path = drawn(tmp_path, 'width="90mm" height="90mm"', '<path d="M0 0H5"/>')
    draw_into_job(JobFolder(tmp_path / "bench.job"), path, height_mm=10.0)


def on_shelf(tmp_path: Path, *names: str) -> None:
    from tracer.project.outlines_file import OutlinesFile, dump_outlines
    from tracer.project.schema import JobRecord, LayRecord, dump_job
    from tracer.project.store import JobFolder
    from tracer.workflows.arranging.shelf import put_on_shelf

    tools = tuple(outline(bar(20.0 + 9 * n), n, name=name) for n, name in enumerate(names, start=1))
    folder = JobFolder(tmp_path / "bench.job")
    with folder.locked():
        lay_of = {o.outline_id: 1 for o in tools}
        content = dump_outlines(OutlinesFile(tools, lay_of=lay_of))
        folder.commit({"outlines.json": content, "job.json": dump_job(JobRecord((LayRecord(()),)))})
    put_on_shelf(folder, [o.outline_id for o in tools], tmp_path / "shelf")


def trace_of(*shapes: Polygon) -> Any:
    """A trace as far as a swap looks at it, in the frame of its own photo."""
    tools = tuple(outline(shape, n) for n, shape in enumerate(shapes, start=1))
    return SimpleNamespace(
        outlines=tools, calibration=SimpleNamespace(views=(camera(1000.0),), cards=())
    )


TWO = (outline(bar(), 1, name="rule"), outline(affinity.translate(bar(), 100, 0), 2, name="rule"))


@pytest.mark.parametrize(
    ("slug", "doing"),
    [
        ("card-size-implausible", lambda _: tracer.CardSizes((112.0, 168.0))),
        ("too-many-photos", lambda _: refuse_too_many(1000)),
        ("no-photo", lambda _: calibrate([])),
        ("drawing-unit-unknown", draw_without_unit),
        ("drawing-no-outline", draw_without_outline),
        ("shelf-name-taken", lambda at: on_shelf(at, "rule", "rule")),
        ("shelf-name-unusable", lambda at: on_shelf(at, " . ")),
        ("keep-out-impossible", lambda _: keep_outs([KeepOutPlan("pipe", 0, 0, 0.0)], (0, 0))),
        (
            "plain-pocket-impossible",
            lambda _: tracer.arrange([], plan(plain=(PlainPocketPlan("box", 0.0, 40.0, 30.0),))),
        ),
        (
            "panel-stack-impossible",
            lambda _: tracer.arrange([outline(bar())], plan(plies=tuple(reversed(plan().plies)))),
        ),
        ("card-number-range", lambda _: card_shapes(48)),
        ("cards-per-page", lambda _: cards_pdf(numbers=[0], per_page=3)),
        ("no-cards-to-print", lambda _: cards_pdf(numbers=[])),
        ("coupon-diameter-wrong", lambda _: draw_coupon(3.0, read_machine("router"))),
        ("coupon-hole-wrong", lambda _: fit_from_hole(99, 0.2, read_machine("router"), 0.5)),
        ("printer-settings-damaged", damaged_settings),
        ("foam-list-damaged", damaged_foams),
        ("argument-unusable", lambda _: tracer.trace([])),
        ("tool-ambiguous", lambda _: find_outline(TWO, "rule")),
        (
            "swap-no-tool",
            lambda _: the_new_one(None, (), trace_of(), SwapOptions(), same_frame=False),
        ),
        (
            "swap-no-tool",
            lambda _: the_new_one(
                None, (), trace_of(bar()), SwapOptions(point_px=(5.0, 5.0)), same_frame=False
            ),
        ),
        (
            "swap-which-tool",
            lambda _: the_new_one(
                None, (), trace_of(bar(), spanner()), SwapOptions(), same_frame=False
            ),
        ),
    ],
)
def test_what_stops_the_work(slug: str, doing: Callable[[Path], object], tmp_path: Path) -> None:
    with pytest.raises(TracerError) as caught:
        doing(tmp_path)
    assert caught.value.slug == slug
    assert str(caught.value).rstrip().endswith((".", "?", ")"))


def read(*curves: ReadCurve, **more: object) -> ReadFile:
    return ReadFile(1.0, "AC1015", curves, {}, **more)  # type: ignore[arg-type]


def lay_findings(**changes: object) -> list[Check]:
    view = make_view()
    rng = np.random.default_rng(3)
    found = detect(view, draw_papers(rim(4), Flaws(), rng), 0.1, rng)
    return list(solve_lay([make_photo(view)], [replace(found, **changes)]).checks)  # type: ignore[arg-type]


def swapped_checks(new: Polygon, old: Polygon) -> list[Check]:
    from tracer.workflows.swapping.swap import swap_outline

    there = outline(old)
    done = swap_outline(there, [], trace_of(new), SwapOptions(), same_frame=False)
    return list(done.checks)


@pytest.mark.parametrize(
    ("slug", "finding"),
    [
        ("card-not-measured", lambda: lay_findings(lost={7: "its corners are covered"})),
        ("photo-soft", lambda: lay_findings(blur_px=3.0)),
        ("photo-dim", lambda: lay_findings(white=40.0)),
        (
            "heights-unlikely",
            lambda: unlikely_heights(
                [ToolRow(f"t{n}", 0.0, 0.0, height_mm=1.0 + n / 10) for n in range(8)], "tools.csv"
            ),
        ),
        (
            "row-of-no-lay",
            lambda: rows_of_no_lay(ToolList((ToolRow("t", 0.0, 0.0, lay=3),)), 1, "tools.csv"),
        ),
        ("photos-chosen", lambda: [chosen_check([0, 2], ["a", "b", "c"])]),
        (
            "photo-twice",
            lambda: [SimpleNamespace(slug=without_doubles("aa", "xy")[1][0].error.slug)],
        ),
        (
            "island-not-sure",
            lambda: islands_left_out(
                outline(Point(0, 0).buffer(60).difference(Point(0, 0).buffer(30)))
            ),
        ),
        ("swap-near-neighbour", lambda: near_neighbours(outline(bar()), [TWO[0]])),
        ("swap-direction-open", lambda: swapped_checks(box(0, 0, 150, 22), box(0, 0, 150, 20))),
        ("plan-without-tool", lambda: job_tools_checks()),
        (
            "file-has-errors",
            lambda: (
                examine(
                    read(square(), audit_errors=("an entity has no owner",)), square_mm=100.0
                ).checks
            ),
        ),
    ],
)
def test_findings(slug: str, finding: Callable[[], Sequence[Check]]) -> None:
    assert slug in {c.slug for c in finding()}


def square() -> ReadCurve:
    points = np.array([(0, 0), (100, 0), (100, 100), (0, 100)], np.float64)
    return ReadCurve("CUT", "LWPOLYLINE", points, True)


def job_tools_checks() -> list[Check]:
    from tracer.model.panel_plan import ToolPlan
    from tracer.project.outlines_file import OutlinesFile

    content = OutlinesFile(TWO, lay_of={o.outline_id: 1 for o in TWO})
    return job_tools(content, None, plan(tools=(ToolPlan("T09", daily=True),)))[1]


def test_an_unknown_role_of_a_layer() -> None:
    with pytest.raises(TracerError) as caught:
        tracer.arrange([outline(bar())], plan(plies=(PlyPlan("lid", plan().plies[0].stock),)))
    assert caught.value.slug == "panel-stack-impossible"
