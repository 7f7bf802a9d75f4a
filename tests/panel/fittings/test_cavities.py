"""Cable rooms: mirrored back, skin, bend and volume by readers that share no code of ours."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from shapely.geometry import LinearRing, Polygon

from tests.export.readers import Ring, rings_by_gdal
from tests.panel.fittings.bicycle_wall import (
    CABLE,
    CHARGER,
    cut_for,
    file_of,
    panel_for,
    slugs,
    wall_plan,
)
from tracer.errors import TracerError
from tracer.geometry.loops import mirrored, polygon_of
from tracer.model.drawing import Operation
from tracer.model.fitting_plans import CavityPlan
from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan, ToolPlan
from tracer.panel.fittings.cavities import cable_volume_mm3
from tracer.panel.stock.back import mirrored_region
from tracer.workflows.cutting.cut_panel import PanelCut

WIDTH, FACE = 900.0, 30.0


def rooms(*cavities: CavityPlan, **more: object) -> PanelPlan:
    return wall_plan(emblems=(), mounts=(), ledges=(), rail=None, cavities=cavities, **more)


@pytest.fixture(scope="module")
def done() -> PanelCut:
    return cut_for(wall_plan(emblems=(), ledges=(), rail=None, cavities=(CABLE,)))


@pytest.fixture(scope="module")
def ring(done: PanelCut, tmp_path_factory: pytest.TempPathFactory) -> Ring:
    """The crescent with its slit as GDAL's DXF driver reads it from the back's file."""
    data = file_of(done, "face-dark-grey-back")
    found = rings_by_gdal(data, tmp_path_factory.mktemp("gdal"))
    assert {r.layer for r in found} == {"back-cavity-20.0"}  # nothing of the front, no rim
    return max(found, key=lambda r: abs(r.signed_area))


def test_the_back_mirrored_is_the_room_seen_from_the_front(done: PanelCut, ring: Ring) -> None:
    (room,) = [c for c in done.panel.back_cavities if c.cavity_id == "C1"]
    front = np.column_stack([WIDTH - ring.points[:, 0], ring.points[:, 1]])
    there = LinearRing(front).hausdorff_distance(LinearRing(room.whole.exterior))
    assert there < 0.05
    # it is not its own mirror image: the test would see a drawing that was not mirrored
    assert LinearRing(ring.points).hausdorff_distance(LinearRing(room.whole.exterior)) > 50


def test_the_back_mirrored_twice_is_the_same_drawing(done: PanelCut) -> None:
    back = next(d.cut for w, d, _ in done.sheets if w.side == "back")
    for path in back.paths:
        twice = mirrored(mirrored(path.loop, WIDTH), WIDTH)
        assert np.allclose(twice.vertices, path.loop.vertices, atol=1e-9)
        once = polygon_of(mirrored(path.loop, WIDTH))
        assert once.area == pytest.approx(polygon_of(path.loop).area, rel=1e-9)
    odd = Polygon([(0, 0), (70, 0), (70, 20), (30, 20), (30, 90), (0, 90)])
    assert mirrored_region(mirrored_region(odd, WIDTH), WIDTH).equals_exact(odd, 1e-9)


def test_skin_by_the_layer_and_the_file_name(done: PanelCut, ring: Ring) -> None:
    (name,) = [n for n in done.files if "-back-" in n and n.endswith(".svg")]
    thickness = float(re.search(r"-(\d+)mm-", name)[1])  # type: ignore[index]
    depth = float(ring.layer.rpartition("-")[2])
    assert thickness == FACE and thickness - depth == pytest.approx(10.0)


def test_bend_by_the_curvature_of_the_ends(ring: Ring) -> None:
    """The cable lies back and forth and turns at both ends: radius of the end less half of it.

    Circles through three points 8 mm apart along the wall (circumradius R = abc / 4A); the least
    of those that bulge outward are the ends'.
    """
    line = LinearRing(ring.points)
    s = np.arange(0.0, line.length, 1.0)
    at = np.array([line.interpolate(v).coords[0] for v in s])
    a, c = np.roll(at, 8, axis=0), np.roll(at, -8, axis=0)
    cross = (at[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (at[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    sides = [np.hypot(*(p - q).T) for p, q in ((at, a), (c, at), (c, a))]
    with np.errstate(divide="ignore"):
        radius = sides[0] * sides[1] * sides[2] / (2 * np.abs(cross))
    outward = np.sign(cross) == np.sign(ring.signed_area)
    # where the slit joins are corners; both ends together are 3/4 of the tightest curves
    ends = np.sort(radius[outward & (radius > 15)])[: int(np.pi * 30)]
    assert float(np.median(ends)) - 6.0 / 2 >= 5 * 6.0 - 0.2  # 5 diameters of a 6 mm cable


def test_volume_on_the_job_sheet_is_that_of_the_file(done: PanelCut, ring: Ring) -> None:
    """Shoelace area of GDAL's ring times the layer's depth, against the printed figure."""
    room = next(c for c in done.panel.back_cavities if c.cavity_id == "C1")
    without_slit = abs(ring.signed_area) - (room.whole.area - room.region.area)
    holds = without_slit * 20.0 / 1000
    pdf = pypdfium2.PdfDocument(done.files["wall-job-sheet.pdf"])
    text = " ".join(page.get_textpage().get_text_bounded() for page in pdf)
    printed = [float(v) for v in re.findall(r"(\d+) cm3", text)]
    assert any(abs(v - holds) < 1.0 for v in printed), (printed, holds)
    cable = math.pi / 4 * 0.6**2 * 90.0  # cm3 of 0.9 m of a cable of 6 mm
    assert cable_volume_mm3(6.0, 900.0) / 1000 == pytest.approx(cable)
    assert f"filled {cable / holds:.0%}" in text.replace("\r\n", " ")
    assert "seen from behind (mirrored)" in text


def test_the_slit_opens_into_the_pocket(done: PanelCut) -> None:
    panel = done.panel
    pocket = next(p for p in panel.pockets if p.pocket_id == "T03")
    room = next(c for c in panel.back_cavities if c.cavity_id == "C1")
    assert room.exit is not None and room.exit.intersects(pocket.region)
    assert room.exit.intersects(room.region) and not room.region.intersects(pocket.region)
    assert pocket.cut_depth_mm - room.skin_mm >= 6 + 2.5
    others = [p for p in panel.pockets if p.pocket_id != "T03"]
    assert all(not p.region.intersects(room.whole) for p in others)


def test_the_lead_of_a_charger_leaves_at_the_lower_edge(done: PanelCut) -> None:
    (way,) = [c for c in done.panel.back_cavities if c.cavity_id == "L1"]
    mount = done.panel.mounts[0]
    assert mount.opening is not None
    assert way.region.intersects(mount.opening)
    assert way.exit is not None and way.exit.bounds[1] == pytest.approx(0.0, abs=0.01)


def test_a_ring_holds_turns_that_lie_beside_each_other() -> None:
    plan = rooms(CavityPlan("coil", 6.0, 1500.0, radius_mm=60, sweep_deg=360, x_mm=600, y_mm=250))
    (room,) = panel_for(plan).back_cavities
    assert len(room.region.interiors) == 1
    # 1500 mm at a radius of 60 are 4 turns, 3 above each other in 20 mm: 2 beside each other
    inner = Polygon(room.region.interiors[0]).minimum_rotated_rectangle.length / 8
    outer = Polygon(room.region.exterior).minimum_rotated_rectangle.length / 8
    assert outer - inner == pytest.approx(2 * 6 + 2.5, abs=0.05)
    assert room.bend_mm == pytest.approx(inner + 3, abs=0.05)


def test_a_channel_is_rounded_where_the_cable_bends() -> None:
    path = ((500.0, 80.0), (700.0, 80.0), (700.0, 300.0))
    plan = rooms(CavityPlan("lead", 6.0, 0.0, path_mm=path, exit_mm=(500.0, 0.0)))
    panel = panel_for(plan)
    (room,) = panel.back_cavities
    # inner corner filled by a circle of r = 5 d - w / 2 (area r^2 (1 - pi / 4)); the outer corner
    # of a channel of width w is a quarter disc
    w, r = 8.5, 30 - 4.25
    straight = w * (200 + 220) + math.pi * (w / 2) ** 2 / 2 * 2 + math.pi * (w / 2) ** 2 / 4
    inside = r * r * (1 - math.pi / 4) - (w / 2) ** 2
    assert room.region.area == pytest.approx(straight + inside, rel=0.01)
    assert room.bend_mm == pytest.approx(30)
    assert not {c for c in slugs(panel) if c.startswith("cavity-")}


def heights(panel: Panel) -> list[float]:
    return [p.stock.thickness_mm for p in panel.plies]


def test_in_layers_the_room_is_cut_through_those_behind_the_skin() -> None:
    laser = cut_for(rooms(replace(CABLE, skin_mm=10.0)), "co2-laser")
    (room,) = laser.panel.back_cavities
    fronts = np.cumsum([0.0, *heights(laser.panel)])
    assert any(abs(f - room.skin_mm) < 1e-6 for f in fronts) and room.skin_mm >= 10
    with_room = {
        w.key: any("C1" in f.subject_id.split("+") for f in w.features)
        for w, _, _ in laser.sheets
        if w.role is not None and w.role.value == "face"
    }
    faces = [s for s in laser.panel.slabs if s.plies[0].role.value == "face"]
    assert [with_room[s.name] for s in faces] == [s.front_mm >= room.skin_mm for s in faces]
    assert not any(w.side == "back" for w, _, _ in laser.sheets)
    assert all(
        p.layer.operation is not Operation.BACK_CAVITY
        for _, d, _ in laser.sheets
        for p in d.cut.paths
    )


def test_a_face_in_one_layer_has_no_room_for_a_through_cutter() -> None:
    stack = wall_plan().plies
    one = replace(stack[0], thicknesses_mm=(30.0,))
    through = tuple(ToolPlan(f"T0{n}", through=True, notch=False) for n in (1, 2, 3))
    laser = cut_for(rooms(CABLE, plies=(one, *stack[1:]), tools=through), "co2-laser")
    assert "cavity-not-in-layers" in {c.slug for c in laser.checks}


@pytest.mark.parametrize(
    ("cavity", "slug"),
    [
        (replace(CABLE, skin_mm=6.0), "cavity-skin-thin"),
        (replace(CABLE, skin_mm=25.0), "cavity-too-shallow"),
        (replace(CABLE, width_mm=40.0), "cavity-bend-tight"),
        (replace(CABLE, width_mm=7.0), "cavity-narrow"),
        (replace(CABLE, length_mm=9000.0, width_mm=70.0), "cavity-too-small"),
        (replace(CABLE, x_mm=210.0), "cavity-under-pocket"),
        (replace(CABLE, x_mm=850.0, pocket_id=None), "cavity-off-panel"),
        (replace(CABLE, pocket_id=None), "cavity-no-exit"),
        (replace(CABLE, pocket_id=None, exit_mm=(560.0, 300.0)), "cavity-exit-closed"),
        (replace(CABLE, skin_mm=18.0), "cavity-exit-closed"),
        (replace(CABLE, pocket_id="T01"), "cavity-under-pocket"),
    ],
)
def test_what_is_wrong_with_a_room_is_said(cavity: CavityPlan, slug: str) -> None:
    assert slug in slugs(panel_for(rooms(cavity)))
    assert slug not in slugs(panel_for(rooms(CABLE)))


@pytest.mark.parametrize(
    ("cavity", "slug"),
    [
        (CavityPlan("none", 6, 900), "cavity-shape"),
        (CavityPlan("two", 6, 900, radius_mm=60, path_mm=((0, 0), (9, 9))), "cavity-shape"),
        (CavityPlan("point", 6, 900, path_mm=((5, 5), (5, 5))), "cavity-shape"),
        (CavityPlan("one", 6, 900, path_mm=((5, 5),)), "cavity-shape"),
        (CavityPlan("file", 6, 900, file="room.svg"), "plan-drawing-missing"),
        (replace(CABLE, pocket_id="T09"), "panel-unknown-tool"),
    ],
)
def test_bad_rooms_are_refused_in_a_sentence(cavity: CavityPlan, slug: str) -> None:
    with pytest.raises(TracerError) as caught:
        panel_for(rooms(cavity))
    assert caught.value.slug == slug


def test_a_drawn_room_bends_the_cable_in_its_largest_disc(tmp_path: Path) -> None:
    plan = rooms(CavityPlan("drawn", 6, 900, file="wheel.svg", x_mm=600, y_mm=250))
    (room,) = panel_for(plan).back_cavities
    assert room.region.bounds == pytest.approx((540, 190, 660, 310), abs=0.02)


def test_cautions_go_with_leads_and_chargers(done: PanelCut) -> None:
    found = {c.slug for c in done.checks}
    assert {"cable-caution", "charger-caution"} <= found
    words = " ".join(done.cautions)
    assert "no mains lead coiled under load" in words and "non-combustible" in words
    assert CHARGER.powered
