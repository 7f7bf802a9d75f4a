"""Every number that may come from outside has a range, is held against it, and is documented."""

from __future__ import annotations

import importlib
import re
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import pytest
from typer.models import OptionInfo

from tests.ranges_reference import TARGET, reference
from tracer import ranges
from tracer.calibration.calibrate import MAX_PHOTOS
from tracer.cli.app import COMMANDS, run
from tracer.errors import TracerError
from tracer.export.drawing.coupon import STAIR_MM, kerf_from_strips
from tracer.export.machine.profiles import machine_names, read_machine
from tracer.export.paper import template
from tracer.model.card import CARD_COUNT
from tracer.model.panel_plan import PanelPlan
from tracer.panel.rules import TABLE
from tracer.project import cut_record, edits_file, outlines_file, panel_rows, plan_file, schema
from tracer.project import silhouettes_file as seen
from tracer.project.refusals import FREE
from tracer.project.tool_list import parse_tool_list
from tracer.ranges import FITTING_RULES
from tracer.spelling import plain

OPTION_METAVARS = {"LENGTH", "WxH", "RxF", "DEG", "P", "N", "PORT", "REVISION", "X,Y", "XxY"}
OPTION_METAVARS |= {
    "X,Y,X,Y",
    "MB",
    "SECONDS",
    "RANGE",
    "[CARD:]LxS",
    "LxS",
    "LxW",
    "DxT",
    "NAME=X,Y,X,Y[@OUT]",
    "[PHOTO:]X,Y",
    "[PHOTO:]X,Y,X,Y",
}


def numbers_of(kind: Any, names: dict[type, str], key: str = "") -> set[str]:
    """Keys of all numbers that a type can hold, as the table of ranges calls them."""
    if kind in (int, float):
        return {key}
    if is_dataclass(kind) and isinstance(kind, type):
        hints = get_type_hints(kind)
        found: set[str] = set()
        for field in fields(kind):
            if field.name not in FREE:
                prefix = names[kind]  # a type that the reader does not name is a gap
                inner = f"{prefix}.{field.name}".lstrip(".")
                found |= numbers_of(hints[field.name], names, inner)
        return found
    if isinstance(kind, type) and issubclass(kind, Enum):
        return set()
    if get_origin(kind) is dict:  # of its keys only the values are numbers of the file
        return numbers_of(get_args(kind)[1], names, key)
    return {k for part in get_args(kind) for k in numbers_of(part, names, key)}


@pytest.mark.parametrize(
    ("kind", "names", "spans"),
    [
        (PanelPlan, plan_file.TABLES, plan_file.SPANS),
        (schema.JobRecord, schema._NAMES, ranges.JOB),
        (outlines_file._Content, outlines_file._NAMES, ranges.JOB),
        (panel_rows.PanelRows, panel_rows.NAMES, panel_rows.SPANS),
        (seen._Content, seen._NAMES, ranges.JOB),
        (edits_file._Content, edits_file._NAMES, ranges.JOB),
        (cut_record.CutRecord, cut_record._NAMES, ranges.JOB),
    ],
    ids=lambda v: getattr(v, "__name__", ""),
)
def test_every_number_of_a_file_has_a_range(
    kind: type, names: dict[type, str], spans: dict[str, ranges.Range]
) -> None:
    found = numbers_of(kind, names) - {"rules"}  # a plan's rules go by their own names
    assert len(found) >= 1
    assert found - spans.keys() == set()


def test_every_rule_has_a_range_that_holds_its_usual_values() -> None:
    figures = ranges.RULES | FITTING_RULES
    assert set(figures) == set(TABLE)
    for name, rule in TABLE.items():
        span = figures[name]
        assert rule.wall in span and rule.drawer in span and rule.unit == span.unit, name


def test_the_tables_agree_with_what_they_are_about() -> None:
    assert ranges.OPTIONS["--numbers"].high == CARD_COUNT - 1
    assert ranges.OPTIONS["--hole"].high == len(STAIR_MM)
    assert ranges.COUNTS["photos of one lay, solved together"].high == MAX_PHOTOS
    span = ranges.OPTIONS["--printed"]
    assert {span.low, span.high} == {100 * (1 - template._MOST_OFF), 100 * (1 + template._MOST_OFF)}
    for row in (ranges.OPTIONS["--strips"].low, ranges.OPTIONS["--strips"].high):
        kerf_from_strips(row)
    with pytest.raises(TracerError):
        kerf_from_strips(ranges.OPTIONS["--strips"].low - 1)
    for name in machine_names():  # their own values pass, read through the ranges
        read_machine(name)


@pytest.mark.parametrize(
    ("option", "keys"),
    [
        ("--bay", ("bay.width_mm", "bay.height_mm")),
        ("--clear-depth", ("bay.clear_depth_mm",)),
        ("--diagonals", ("bay.rising_mm", "bay.falling_mm")),
        ("--squeeze", ("bay.squeeze_mm",)),
        ("--above-floor", ("bay.above_floor_mm",)),
        ("--max-shift", ("placement.max_shift_mm",)),
        ("--edge", ("placement.edge_mm",)),
        ("--turn", ("placement.turn_deg",)),
    ],
)
def test_what_an_option_takes_its_file_takes_too(option: str, keys: tuple[str, ...]) -> None:
    for key in keys:
        assert ranges.PLAN[key] == ranges.OPTIONS[option]


def test_job_files_take_whatever_an_option_takes() -> None:
    for option, key in (
        ("--camera-height", "lay.camera_height_mm"),
        ("--height", "lay.default_height_mm"),
        ("--mat", "lay.mat_mm"),
        ("--card-size", "lay.card_size_mm"),
        ("--numbers", "card.number"),
    ):
        inner, outer = ranges.OPTIONS[option], ranges.JOB[key]
        assert outer.low <= inner.low and inner.high <= outer.high


def test_the_page_of_ranges_is_up_to_date() -> None:
    assert TARGET.read_text("utf-8") == reference(), "run python -m tests.ranges_reference"


def test_pages_on_plan_and_profile_lead_to_the_ranges() -> None:
    for page in ("panel-plan.md", "machine-profile.md"):
        assert "(ranges.md)" in (TARGET.parent / page).read_text("utf-8")


def options_with_numbers() -> list[tuple[str, str, str, str]]:
    """Command, option, metavar and help of every option that takes a number."""
    found = []
    for command in COMMANDS:
        function = getattr(importlib.import_module(f"tracer.cli.{command}"), command)
        for name, hint in get_type_hints(function, include_extras=True).items():
            info = next((a for a in get_args(hint) if isinstance(a, OptionInfo)), None)
            if info is None:
                continue
            option = next(iter(info.param_decls or ()), f"--{name.replace('_', '-')}")
            numeric = {int, float} & {get_args(hint)[0], *get_args(get_args(hint)[0])}
            if numeric or info.metavar in OPTION_METAVARS:
                told = f"{info.help} {info.min} {info.max}"
                found.append((command, option, info.metavar or "", told))
    return found


def test_every_option_that_takes_a_number_has_a_range_in_its_help() -> None:
    found = options_with_numbers()
    assert len(found) > 35
    assert {option for _, option, _, _ in found} == set(ranges.OPTIONS)
    for command, option, _, told in found:
        span = ranges.OPTIONS[option]
        ends = {plain(span.low), plain(span.high)}
        numbers = set(re.findall(r"-?\d+(?:\.\d+)?", told))
        assert ends <= numbers, f"{command} {option} does not tell its range"


HOSTILE = ("inf", "-inf", "nan", "1e400", "1e9", "-1e9", "9" * 5000, "0x10", "", " ", "½", "1_0")
REQUIRED = {
    "arrange": ["x"],
    "batch": ["x.csv", "--out", "y"],
    "cut": ["x"],
    "check": ["x.dxf"],
    "swap": ["x", "T01", "y.jpg"],
    "shelf": ["draw", "x", "y.dxf"],
    "trace": ["y.jpg"],
    "holes": ["y.jpg", "--height=20"],
}


@pytest.mark.parametrize(
    ("command", "option", "metavar"), [found[:3] for found in options_with_numbers()]
)
def test_no_hostile_value_of_an_option_passes(
    command: str,
    option: str,
    metavar: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Refused as wrong usage, in one sentence, before any file is looked for."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path))
    for value in HOSTILE:
        shape = re.sub(r"\[.*?\]", "", metavar)
        values = [value]
        if shape in ("WxH", "RxF", "LxS", "XxY"):
            values = [f"{value}x100", f"100x{value}"]
        elif shape.startswith("X,Y"):
            values = [f"{value},{value}" + ",1,1" * (shape.count(",") > 1)]
        for text in values:
            code = run([command, *REQUIRED.get(command, []), f"{option}={text}"])
            said = capsys.readouterr().err
            assert code == 2, f"{option}={text[:20]}: {said}"
            assert said.startswith("error: ") and len(said) < 400, said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["cards", "--numbers", "0-999999999"],
        ["cut", "x", "--margin", "100000"],
        ["arrange", "x", "--bay", "1000000x1000000"],
        ["coupon", "--thickness", "1e308"],
    ],
)
def test_work_without_bounds_is_refused_before_it_is_begun(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    assert arguments[-2].lstrip("-") in capsys.readouterr().err or arguments[0] == "coupon"


def test_fifty_photos_are_refused_before_one_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["trace", *(f"{n}.jpg" for n in range(50))]) == 1
    assert "50 photos were given; the best are chosen from at most 40" in capsys.readouterr().err


@pytest.mark.parametrize("rows", [5_001, 100_000])
def test_a_list_of_more_rows_than_tools_can_be_is_refused(rows: int) -> None:
    text = "name,x_px,y_px\r\n" + "a,1,2\r\n" * rows
    with pytest.raises(TracerError, match="more than 5000 rows"):
        parse_tool_list(text.encode(), "tools.csv")
