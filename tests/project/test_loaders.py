"""Every file of a job, damaged value by value: read, or refused in one sentence for a maker."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely.geometry import box

from tests.panel.bench import bar, drawer, outline, panel_of, plan, row_of_bars, spanner
from tests.project.damage import PROGRAMMERS, broken_bytes, damaged, without_quotes
from tracer.errors import TracerError
from tracer.export.machine.profiles import machine_toml, parse_machine, read_machine
from tracer.loading import parse_json, parse_toml, read_file
from tracer.model.corrections import Corrections, Stroke
from tracer.model.lay_calibration import CardPlace, LayCalibration, PhotoCamera
from tracer.model.panel_plan import CopyPlan, KeepOutPlan, PanelPlan, ToolPlan, WellPlan
from tracer.model.report import Check, Severity
from tracer.panel.checks.report import check_panel
from tracer.project.cut_record import cut_record
from tracer.project.edits_file import Change, Edit, Edits, dump_edits, load_edits
from tracer.project.foam_stock import foam_from_record, load_foams, save_foams
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.panel_file import PanelFile, dump_panel, load_panel
from tracer.project.plan_file import plan_from_toml, plan_toml
from tracer.project.printer import load_printed, save_printed
from tracer.project.schema import JobRecord, KeptOutline, LayRecord, PhotoRecord, dump_job, load_job
from tracer.project.silhouettes_file import SeenEdge, dump_silhouettes, load_silhouettes

SQUARE = np.array([(0, 0), (90, 0), (90, 40), (0, 40)], np.float64)
LAY = LayCalibration(
    photos=(
        PhotoCamera(
            photo_id="p1",
            name="a.jpg",
            size_px=(4000, 3000),
            K=([3000.0, 0.0, 0.0], [0.0, 3000.0, 0.0], [0.0, 0.0, 1.0]),
            dist=[0.1, 0.0],
            R=([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]),
            t=[0.0, 0.0, 900.0],
            camera_height_mm=900.0,
        ),
    ),
    cards=(
        CardPlace(number=3, size_mm=(168.0, 112.0), x_mm=0.0, y_mm=0.0, angle_deg=0.0, used=True),
    ),
    hull=SQUARE.tolist(),
    leave_one_out_mm={"3": 0.1},
)


def job_bytes() -> bytes:
    stroke = Stroke(((1.0, 2.0), (3.0, 4.0)), 12.0)
    typed = Corrections(keep=((1.0, 2.0),), split=(((1.0, 2.0), (3.0, 4.0)),), strokes=(stroke,))
    photo = PhotoRecord("photos/lay1-1.jpg", "a.jpg", "p1", typed)
    lay = LayRecord((photo,), card_size_mm=(168.0, 112.0), card_sizes_mm={3: (168.2, 112.1)})
    kept = {"T01": KeptOutline((PhotoRecord("photos/s.jpg", "s.jpg", "p2"),), "history/r1/x")}
    return dump_job(JobRecord((lay,), kept, changes=({"revision": 1, "what": ["x"]},)))


def outlines_bytes() -> bytes:
    tools = (outline(spanner(), 1), replace(outline(bar(), 2), outer=bar(30), inner=bar(20)))
    check = Check("a-b", Severity.WARN, "A.", value=1.0, limit=2.0, where_mm=(1.0, 2.0))
    return dump_outlines(OutlinesFile(tools, (LAY, LAY), (check,), {"T02": 2}))


def panel_bytes() -> bytes:
    wanted = plan(
        drawer(clear=80.0),
        tools=(ToolPlan("T01", depth_mm=12.0, wells=(WellPlan("knob", 12.0, 60.0, 18.0, 8.0),)),),
        copies=(CopyPlan("T02", mirrored=True),),
        keep_outs=(KeepOutPlan("pipe", 5.0, 5.0, 20.0),),
        rules={"gap_mm": 22.0},
    )
    tools = [
        replace(t, outline=replace(t.outline, region=box(*t.outline.region.bounds)))
        for t in row_of_bars(2)
    ]
    panel = panel_of(tools, wanted)
    checked = check_panel(panel, wanted, tools)[:1]
    return dump_panel(PanelFile(wanted, replace(panel, checks=tuple(checked))))


def silhouettes_bytes() -> bytes:
    edge = SeenEdge("s1", "T01", SQUARE, (SQUARE[:3] + 5,), 0.9, np.full(4, 0.8))
    return dump_silhouettes({"p1": (edge,)})


def edits_bytes() -> bytes:
    change = Change(("row", "T01", "height_mm"), 3.0, 4.0)
    return dump_edits(Edits((Edit("height", "T01", (change,)),), 1))


FILES: dict[str, tuple[Callable[[], bytes], Callable[[bytes, str], Any]]] = {
    "job.json": (job_bytes, load_job),
    "outlines.json": (outlines_bytes, load_outlines),
    "panel.json": (panel_bytes, load_panel),
    "silhouettes.json": (silhouettes_bytes, load_silhouettes),
    "edits.json": (edits_bytes, load_edits),
}


#: replacements at each place; a panel has many places and takes longest to read
EACH = {
    "job.json": 11,
    "outlines.json": 2,
    "panel.json": 1,
    "silhouettes.json": 11,
    "edits.json": 11,
}


def refused(load: Callable[[], Any]) -> str | None:
    """The sentence of a refusal; None where it was read. Anything else escapes and fails."""
    try:
        load()
    except TracerError as error:
        assert len(str(error)) < 700
        assert not PROGRAMMERS.search(without_quotes(str(error))), str(error)
        return str(error)
    return None


@pytest.mark.parametrize("name", FILES)
def test_a_sound_file_is_read(name: str) -> None:
    make, load = FILES[name]
    load(make(), name)


@pytest.mark.parametrize("name", FILES)
def test_one_wrong_value_is_read_or_refused_with_its_place(name: str) -> None:
    make, load = FILES[name]
    body = json.loads(make())
    results = [
        (what, refused(lambda data=data: load(data, name)))
        for what, data in damaged(body, EACH[name])
    ]
    assert len(results) > 50
    told = [sentence for _, sentence in results if sentence]
    assert len(told) > len(results) / 3, "many of these cannot be"
    assert all(name in sentence for sentence in told)


@pytest.mark.parametrize("name", FILES)
def test_a_broken_file_is_refused(name: str) -> None:
    make, load = FILES[name]
    data = make()
    for broken in broken_bytes(data):
        assert refused(lambda broken=broken: load(broken, name)), broken[:40]


@pytest.mark.parametrize("half", ["\\ud800", "a\\uDFFF", "\\ude00\\ud83d"])
def test_half_a_letter_is_refused_and_a_whole_one_read(half: str) -> None:
    """RFC 8259, section 8.2: a lone surrogate is no Unicode character; nothing can write it."""
    photo = PhotoRecord("photos/1.jpg", "NAME", "0" * 16)
    record = dump_job(JobRecord(lays=(LayRecord(photos=(photo,)),)))
    told = refused(lambda: load_job(record.replace(b"NAME", half.encode()), "job.json"))
    assert told is not None and "half of a letter" in told and "job.json" in told
    whole = load_job(record.replace(b"NAME", b"\\ud83d\\udd27 \\\\ud800"), "job.json")
    assert whole.lays[0].photos[0].name == "\U0001f527 \\ud800"


def test_a_number_that_two_outlines_have_is_refused() -> None:
    body = json.loads(outlines_bytes())
    body["outlines"].append(body["outlines"][0])
    told = refused(lambda: load_outlines(json.dumps(body).encode(), "outlines.json"))
    assert told is not None and "'T01' is another outline's already" in told


def test_a_photo_file_that_two_lays_name_is_refused() -> None:
    lay = LayRecord(photos=(PhotoRecord("photos/1.jpg", "a.jpg", "0" * 16),))
    told = refused(lambda: load_job(dump_job(JobRecord(lays=(lay, lay))), "job.json"))
    assert told is not None and "lays 2, photos 1, file" in told and "lays 1, photos 1" in told


@pytest.mark.parametrize(("key", "known"), [("edge", "upright"), ("silhouettes", "learned")])
def test_a_word_of_a_lay_that_there_is_not_is_refused_with_those_there_are(
    key: str, known: str
) -> None:
    record = JobRecord(lays=(LayRecord(photos=(PhotoRecord("photos/1.jpg", "a.jpg", "0" * 16),)),))
    body = json.loads(dump_job(record))
    body["lays"][0][key] = known
    assert getattr(load_job(json.dumps(body).encode(), "job.json").lays[0], key) == known
    body["lays"][0][key] = "nonsense"
    told = refused(lambda: load_job(json.dumps(body).encode(), "job.json"))
    assert told is not None and "'nonsense'" in told and known in told and f"lays 1, {key}" in told


def test_a_cut_record_that_is_none_is_taken_as_absent() -> None:
    pocket = {"id": "T01", "fit_mm": 0.5, "margin_mm": 0.2, "depth_mm": None}
    body = {"format": "tracer-cut", "version": 1, "machine": "router", "files": ["a.dxf"]}
    body |= {"pockets": [pocket]}
    sound = cut_record(json.dumps(body).encode())
    assert sound is not None and sound.pockets[0].depth_mm is None
    for _, data in damaged(body):
        cut_record(data)
    assert all(cut_record(data) is None for data in broken_bytes(json.dumps(body).encode()))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("rules = { finger_mm = inf }", "finger_mm: infinity was read, it takes a number from 5"),
        ("rules = { finger_mm = nan }", "finger_mm"),
        ("rules = { gap_mm = 1e9 }", "from 0 to 500 mm"),
        ("[bay]\nkind='wall'\nwidth_mm = inf\nheight_mm = 3", "bay, width_mm: infinity"),
        ("[bay]\nkind='wall'\nwidth_mm = 'wide'\nheight_mm = 3", "a number from 20 to 6000 mm"),
        ("[bay]\nkind='wall'\nheight_mm = 300", "bay: the key width_mm is missing"),
        ("[[tools]]\npocket_id='T01'\ndepth_mm = -3", "tools 1, depth_mm: -3 was read"),
        ("[[moves]]\npocket_id='T01'\nx_mm = 1e300", "moves 1, x_mm"),
        ("tools = " + "[" * 5000 + "]" * 5000, "deep"),
        ("title = 1979-05-27", "title: something else was read, it takes a text"),
        ("x = 1979-99-99", "TOML"),
        (f"fit_probability = {'9' * 5000}", "too many digits"),
        ("a." * 100_000 + "b = 1", "too many points"),
        (f"title = '{'x' * 5000}'", "a text of 5000 letters"),
        ("slots = [" + "{pocket_ids=[]}," * 2000 + "]", "2000 entries; at most 1000"),
        ("plies = 3", "plies: 3 was read, it takes a list"),
        ("labels = 'perhaps'", "labels: 'perhaps' was read, it takes true or false"),
    ],
)
def test_a_plan_is_refused_with_place_value_and_range(text: str, words: str) -> None:
    sentence = refused(lambda: plan_from_toml(text.encode(), "panel.toml"))
    assert sentence and sentence.startswith("panel.toml: ") and words in sentence, sentence


def test_a_plan_damaged_value_by_value_is_read_or_refused() -> None:
    body = json.loads(panel_bytes())["plan"]
    for _, data in damaged(body):
        try:
            text = plan_toml_of(json.loads(data))
        except TypeError:
            continue
        refused(lambda text=text: plan_from_toml(text, "panel.toml"))


def plan_toml_of(value: Any) -> bytes:
    """Any value as the TOML of inline tables."""

    def shown(v: Any) -> str:
        if v is None:
            raise TypeError
        if isinstance(v, dict):
            return "{" + ", ".join(f"{json.dumps(k)} = {shown(x)}" for k, x in v.items()) + "}"
        if isinstance(v, list):
            return "[" + ", ".join(shown(x) for x in v) + "]"
        return json.dumps(v)

    return "\n".join(f"{k} = {shown(v)}" for k, v in value.items()).encode()


def test_the_usual_plan_is_within_its_own_ranges() -> None:
    assert plan_from_toml(plan_toml(PanelPlan()), "panel.toml") == PanelPlan()


PROFILE = machine_toml(read_machine("router"))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("kerf_mm = inf", "kerf_mm must be a number from 0 to 50 mm, not infinity"),
        ("kerf_mm = nan", "kerf_mm"),
        ("feed_mm_min = 1e300", "feed_mm_min must be a number from 1 to"),
        ("bed_mm = [inf, 3.0]", "bed_mm must be two lengths"),
        ("bed_mm = 3", "bed_mm must be a list"),
        ("title = 3", "title must be a text"),
        ("cautions = [3]", "cautions must be a list of at most"),
        ("fit = 3", "fit must be a table"),
        ("layers = 3", "layers must be a table"),
        ("colours = 3", "colours must be a table"),
        ("layers = {through = 'a<b'}", "layers.through cannot be"),
        ("layers = {through = ''}", "layers.through cannot be"),
        ("colours = {through = 'red'}", "must look like"),
        ("max_depth_mm = " + "9" * 400, "too many digits"),
        ("x = " + "[" * 5000 + "]" * 5000, "deep"),
    ],
)
def test_a_profile_is_refused_with_field_value_and_range(change: str, words: str) -> None:
    key = change.partition(" ")[0]
    head, _, tables = PROFILE.partition("\n\n")
    lines = [line for line in head.splitlines() if not line.startswith(f"{key} =")]
    tables = re.sub(r"(?m)^\[fit\]\n[^\[]*", "", tables) if key == "fit" else tables
    text = "\n".join([*lines, change]) + "\n\n" + tables
    sentence = refused(lambda: parse_machine(text, "own"))
    assert sentence and words in sentence, sentence


@pytest.mark.parametrize(
    "body",
    [b"", b"[" * 99_999, b'{"x_mm": 1e400, "y_mm": 100}', b'{"x_mm": "a"}', b"[]", b'{"x_mm": 7}'],
)
def test_a_damaged_printer_file_is_refused(
    body: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path))
    save_printed(99.5, 100.5)
    assert load_printed() == (99.5, 100.5)
    (tmp_path / "printer.json").write_bytes(body)
    assert refused(load_printed)


FOAM = (
    b'{"colour": "sand", "rgb": [210, 190, 150], "material": "pe", "thickness_mm": 28.5,'
    b' "size_mm": [1000, 500]}'
)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b'{"foams": 3}',
        b'{"foams": [3]}',
        b'{"foams": [' + FOAM.replace(b"28.5", b"-1") + b"]}",
        b'{"foams": [' + FOAM.replace(b"210", b"999") + b"]}",
        b'{"foams": [' + FOAM.replace(b"sand", b" ") + b"]}",
        b'{"foams": [' + b", ".join([FOAM] * 201) + b"]}",
    ],
)
def test_a_damaged_list_of_foams_is_refused(
    body: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRACER_SETTINGS", str(tmp_path))
    assert load_foams() == ()
    foam = foam_from_record(json.loads(FOAM))
    save_foams([foam, foam])
    assert load_foams() == (foam, foam)
    (tmp_path / "foams.json").write_bytes(body)
    assert refused(load_foams)


def test_only_files_of_a_bounded_size_are_read(tmp_path: Path) -> None:
    def refuse(why: str) -> TracerError:
        return TracerError("x", f"It cannot be read: {why}.")

    (tmp_path / "small").write_bytes(b"abc")
    assert read_file(tmp_path / "small", 3, refuse) == b"abc"
    os.mkfifo(tmp_path / "pipe")  # opened for reading it would wait for ever
    for place, words in (
        (tmp_path / "small", "at most"),
        (tmp_path, "folder"),
        (tmp_path / "none", "no such file"),
        (tmp_path / "pipe", "not a file"),
        (Path("/dev/zero"), "not a file"),
        (tmp_path / ("x" * 300), "name"),
        (tmp_path / "a\0b", "name"),
    ):
        sentence = refused(lambda place=place: read_file(place, 2, refuse))
        assert sentence and words in sentence, (place, sentence)


def test_nesting_and_numerals_are_bounded() -> None:
    def refuse(why: str) -> TracerError:
        return TracerError("x", why)

    assert parse_json(b"[" * 40 + b"]" * 40, refuse, 1000)
    for data in (b"[" * 41 + b"]" * 41, b"1e999", b"-Infinity", b"9" * 50):
        with pytest.raises(TracerError):
            parse_json(data, refuse, 1000)
    assert parse_json(b'"[[[' + b"[" * 100 + b'"', refuse, 1000)
    with pytest.raises(TracerError, match="at most"):
        parse_toml(b"a = 1", refuse, 3)
