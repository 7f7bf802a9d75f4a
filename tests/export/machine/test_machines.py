"""Machine profiles: read, written, refused; a job differs between them only where it must."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.export.drawings import cut_drawing, pockets
from tracer.errors import TracerError
from tracer.export.drawing.cut_drawing import draw_cut
from tracer.export.dxf.write import DxfVersion
from tracer.export.machine.checks import (
    job_cautions,
    machine_checks,
    material_named,
    refuse_forbidden,
)
from tracer.export.machine.profiles import (
    dxf_options,
    machine_names,
    machine_toml,
    materials,
    parse_machine,
    read_machine,
)
from tracer.geometry.loops import polygon_of, signed_area
from tracer.model.machine import Kerf, Machine, Verdict

KNIFE, LASER = read_machine("oscillating-knife"), read_machine("co2-laser")


@pytest.mark.parametrize("name", machine_names())
def test_profiles_read_and_write_back_the_same(name: str) -> None:
    machine = read_machine(name)
    assert parse_machine(machine_toml(machine), name) == machine
    assert machine.cautions


def test_there_is_one_of_each_kind() -> None:
    assert machine_names() == ["co2-laser", "drag-knife", "oscillating-knife", "router", "scalpel"]
    assert {n for n in machine_names() if read_machine(n).heat} == {"co2-laser"}
    assert {n for n in machine_names() if read_machine(n).cuts_depth} == {
        "oscillating-knife", "router", "scalpel",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("cuts_depth = true", 'cuts_depth = "yes"'), "true or false"),
        (("kerf_mm = 0.0", "kerf_mn = 0.0"), "kerf_mm"),
        (("kerf_mm = 0.0", "kerf_mm = -1.0"), "from 0 to 50 mm"),
        (("feed_mm_min = 6000.0", "feed_mm_min = 0.0"), "from 1 to"),
        (('kerf = "none"', 'kerf = "me"'), "kerf"),
        (("bed_mm = [1600.0, 1300.0]", "bed_mm = [1600.0]"), "bed_mm"),
        (('version = "R2000"', 'version = "R99"'), "version"),
        (("[dxf]", "[dxf"), "TOML"),
    ],
)
def test_a_wrong_field_is_named(change: tuple[str, str], word: str) -> None:
    text = machine_toml(KNIFE)
    assert change[0] in text
    with pytest.raises(TracerError) as caught:
        parse_machine(text.replace(*change), "mine")
    assert caught.value.slug == "machine-profile-wrong"
    assert word in caught.value.sentence


def test_own_profiles_are_files(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        machine_toml(KNIFE) + '\n[layers]\nthrough = "CUT"\n[colours]\nthrough = "#102030"\n'
    )
    machine = read_machine(str(path))
    assert machine.layer_names == {"through": "CUT"}
    assert dxf_options(machine).colours == {"through": (16, 32, 48)}
    assert parse_machine(machine_toml(machine), "mine") == machine
    with pytest.raises(TracerError, match="Did you mean router"):
        read_machine("ruter")
    with pytest.raises(TracerError) as caught:
        read_machine(str(tmp_path / "none.toml"))
    assert caught.value.slug == "machine-file-unreadable"


def test_only_the_kerf_differs_between_knife_and_laser() -> None:
    through = [p for p in pockets(0.0) if p.rule.depth_mm is None]
    args = {"title": "t", "origin_mm": (-140.0, 0.0), "size_mm": (520.0, 240.0)}
    knife = draw_cut(through, machine=KNIFE, **args)  # type: ignore[arg-type]
    laser = draw_cut(through, machine=LASER, **args)  # type: ignore[arg-type]
    assert [p.layer for p in knife.paths] == [p.layer for p in laser.paths]
    for bare, moved in zip(knife.paths, laser.paths, strict=True):
        if bare.layer.name == "sheet-edge":
            assert (bare.loop.vertices == moved.loop.vertices).all()
            continue
        # half of the 0.4 mm kerf inward: finished walls are the same again, within 0.04 mm
        wall, line = polygon_of(bare.loop, 0.002), polygon_of(moved.loop, 0.002)
        burnt = line.buffer(LASER.kerf_mm / 2, quad_segs=64)
        assert wall.difference(burnt).area < 1e-2 * wall.length
        assert burnt.difference(wall.buffer(0.05)).area < 1e-3
    assert laser.kerf.compensated_mm == pytest.approx(0.2)
    assert knife.kerf.compensated_mm == 0.0


def test_kerf_is_moved_as_nesting_libraries_do() -> None:
    # interior contours by -kerf/2, exterior (here: islands) by +kerf/2: common practice
    plain, laser = cut_drawing("router"), cut_drawing("co2-laser")
    for drawing in (plain, laser):
        assert any(p.island for p in drawing.paths)
    hole = {p.subject_id: abs(signed_area(p.loop)) for p in laser.paths if not p.island}
    bare = {p.subject_id: abs(signed_area(p.loop)) for p in pockets_walls()}
    # a socket of radius 14.8: the circle's radius is 0.2 smaller
    assert hole["T04"] < bare["T04"]
    assert (bare["T04"] / 3.14159265) ** 0.5 - (hole["T04"] / 3.14159265) ** 0.5 == pytest.approx(
        0.2, abs=0.03
    )


def pockets_walls() -> list[object]:
    machine = parse_machine(machine_toml(LASER).replace('"file"', '"none"'), "bare")
    drawing = draw_cut(
        pockets(0.0), title="t", origin_mm=(-140, 0), size_mm=(520, 240), machine=machine
    )
    return [p for p in drawing.paths if not p.island]


@pytest.mark.parametrize("material", materials())
def test_heat_and_blades(material: str) -> None:
    foam = material_named(material)
    refuse_forbidden(KNIFE, foam)  # a blade does not care
    if foam.heat is Verdict.NEVER:
        with pytest.raises(TracerError) as caught:
            refuse_forbidden(LASER, foam)
        assert foam.reason in caught.value.sentence
    else:
        refuse_forbidden(LASER, foam)
        slugs = [c.slug for c in checks_for(LASER, material)]
        assert "material-needs-leave" in slugs
        assert foam.reason in " ".join(job_cautions(LASER, foam))


def test_the_published_bans_are_kept() -> None:
    # UT Austin (PU, HCN), HSE Plastics Processing Sheet 13 (PVC), UIC (PS, PP), Purdue (flame
    # retarded, unknown): lists of materials that must not go into a laser
    never = {key for key, foam in materials().items() if foam.heat is Verdict.NEVER}
    assert never == {"pu", "pvc", "ps", "pp", "flame-retarded", "unknown"}
    assert "hydrogen cyanide" in materials()["pu"].reason
    assert "hydrogen chloride" in materials()["pvc"].reason


def checks_for(machine: object, material: str = "pe", **changes: object) -> list[object]:
    job = {
        "size_mm": (500.0, 300.0),
        "thickness_mm": 30.0,
        "depths_mm": [("T01", None), ("T02", 12.0)],
    } | changes
    return machine_checks(machine, material_named(material), **job)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("machine", "changes", "slug"),
    [
        ("router", {"size_mm": (1300.0, 100.0)}, "sheet-exceeds-bed"),
        ("router", {"thickness_mm": 60.0}, "sheet-too-thick"),
        ("router", {"thickness_mm": 80.0, "depths_mm": [("T", 50.0)]}, "pocket-too-deep"),
        ("router", {"depths_mm": [("T", 28.0)]}, "floor-too-thin"),
        ("drag-knife", {"thickness_mm": 8.0, "depths_mm": [("T", 4.0)]}, "depth-not-possible"),
    ],
)
def test_what_the_machine_cannot_do(machine: str, changes: dict[str, object], slug: str) -> None:
    found = [c.slug for c in checks_for(read_machine(machine), **changes)]  # type: ignore[attr-defined]
    assert found == [slug]
    assert checks_for(read_machine("router")) == []


def test_a_bed_may_be_used_crosswise() -> None:
    assert checks_for(read_machine("router"), size_mm=(790.0, 1190.0)) == []


def test_the_profile_decides_the_file() -> None:
    machine = parse_machine(
        machine_toml(KNIFE)
        .replace('"R2000"', '"R12"')
        .replace("straight = false", "straight = true"),
        "old",
    )
    options = dxf_options(machine)
    assert options.version is DxfVersion.R12
    assert options.straight
    assert dxf_options(machine, DxfVersion.R2000).version is DxfVersion.R2000
    assert machine.kerf is Kerf.NONE


def test_every_field_is_in_the_reference() -> None:
    page = Path(__file__).parents[3] / "docs" / "reference" / "machine-profile.md"
    text = page.read_text("utf-8")
    fields = re.findall(r"^(\w+) = ", machine_toml(LASER), re.MULTILINE)
    assert len(fields) > 15
    assert [name for name in fields if f"`{name}`" not in text] == []


def test_every_key_of_a_written_profile_is_explained_with_its_unit() -> None:
    lines = machine_toml(read_machine("router")).splitlines()
    for before, line in itertools.pairwise(lines):
        if "=" in line and not line.startswith("#"):
            assert before.startswith("#"), line
    text = "\n".join(lines)
    assert "(mm)" in text and "(mm/min)" in text and "(s)" in text


@pytest.mark.parametrize(
    ("changes", "slug"),
    [
        ({"blade_length_mm": 20.0}, "blade-too-short"),
        ({"blade_width_mm": 8.0}, "blade-too-wide"),
    ],
)
def test_a_blade_that_cannot_make_the_wall_is_refused(changes: dict[str, float], slug: str) -> None:
    def found(machine: Machine) -> set[str]:
        size = {"size_mm": (100.0, 100.0), "thickness_mm": 30.0}
        checks = machine_checks(machine, material_named("pe"), **size, depths_mm=[])  # type: ignore[arg-type]
        return {c.slug for c in checks}

    assert slug not in found(KNIFE)
    assert slug in found(replace(KNIFE, **changes))


def test_older_profiles_without_the_new_tables_are_read() -> None:
    text = machine_toml(KNIFE)
    upper = text[: text.index("[fit]")]
    old = parse_machine(upper, "own")
    assert old.lead_mm == 0 and old.tabs == 0 and old.taper_mm_per_10mm == 0
