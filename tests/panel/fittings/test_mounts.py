"""Mounts, ledges, rest rail: drill lists read by ezdxf, cut-outs by GDAL, and bad inputs."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pypdfium2
import pytest
from ezdxf import path as dxf_path
from ezdxf import units
from shapely.geometry import Polygon, box

from tests.export.readers import rings_by_gdal
from tests.panel.bench import drawer
from tests.panel.fittings.bicycle_wall import (
    CHARGER,
    DRAWINGS,
    HOOKS,
    RAIL,
    STAND,
    TOOLS,
    cut_for,
    file_of,
    panel_for,
    plate_dxf,
    slugs,
    wall_plan,
)
from tracer.errors import TracerError
from tracer.model.fitting_plans import HolePlan, LedgePlan, MountPlan, RailPlan, Row
from tracer.model.panel_plan import PanelPlan
from tracer.panel.fittings.rail import panel_mass_kg
from tracer.workflows.arranging.drawn_shapes import drawn_shapes
from tracer.workflows.cutting.cut_panel import PanelCut


def only(*mounts: MountPlan, **more: object) -> PanelPlan:
    parts: dict[str, object] = {"emblems": (), "cavities": (), "ledges": (), "rail": None}
    return wall_plan(**(parts | {"mounts": mounts} | more))


@pytest.fixture(scope="module")
def done() -> PanelCut:
    return cut_for(wall_plan(emblems=(), cavities=()))


def circles_by_ezdxf(data: bytes, layer: str) -> list[tuple[float, float, float]]:
    """Middle and diameter of each closed curve on a layer, by ezdxf's own flattening."""
    doc = ezdxf.read(io.StringIO(data.decode()))
    found = []
    for entity in doc.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]'):
        points = np.array([(p.x, p.y) for p in dxf_path.make_path(entity).flattening(0.001)])
        low, high = points.min(axis=0), points.max(axis=0)
        assert np.ptp(high - low) < 0.01  # as wide as high
        found.append((*((low + high) / 2), float((high - low).mean())))
    return found


def test_pilot_holes_lie_where_the_plate_has_its_holes(done: PanelCut) -> None:
    """The plate's drawing against the board's file: 90 mm apart, 30 below, drills 0.7 of them.

    The pattern's box (x -45 to 45, y -20 to 10) is centred at the mount's place, 750, 180.
    """
    found = circles_by_ezdxf(file_of(done, "backing"), "fixing")
    screws = [c for c in found if abs(c[2] - 5.0) < 0.02]
    drills = [c for c in found if abs(c[2] - 5.0) >= 0.02]
    wanted = [(705, 195, 3.5), (795, 195, 3.5), (750, 165, 5.5)]
    wanted += [(330 + 60 * k, 430 + dy, 3.0) for k in range(3) for dy in (12, -12)]
    assert len(screws) == len(done.panel.fixings) and len(drills) == len(wanted)
    for x, y, d in wanted:
        at = min(drills, key=lambda c: abs(c[0] - x) + abs(c[1] - y))
        assert at == pytest.approx((x, y, d), abs=0.03)


def test_the_foam_is_cut_out_with_the_air_asked_for(done: PanelCut, tmp_path: Path) -> None:
    body = box(680, 135, 820, 225)
    for part in ("face-dark-grey-front", "2-base"):
        rings = rings_by_gdal(file_of(done, part), tmp_path)
        areas = [Polygon(r.points) for r in rings if r.layer == "through"]
        (opening,) = [a for a in areas if a.contains(body)]
        assert opening.exterior.distance(body) == pytest.approx(20.0, abs=0.06)
    mount = next(m for m in done.panel.mounts if m.name == "charger")
    assert all(f.reason for f in done.panel.fixings)
    assert mount.opening is not None
    assert not any(
        mount.opening.buffer(10).contains(box(f.x_mm, f.y_mm, f.x_mm + 0.1, f.y_mm + 0.1))
        for f in done.panel.fixings
    )


def test_the_drill_list_is_printed(done: PanelCut) -> None:
    pdf = pypdfium2.PdfDocument(done.files["wall-job-sheet.pdf"])
    text = " ".join(p.get_textpage().get_text_bounded() for p in pdf).replace("\r\n", " ")
    # by reading order of the pattern: both of diameter 5, then the one of 8
    assert re.search(r"M1\.1 charger 705\.0 195\.0 5\.0 3\.5", text)
    assert re.search(r"M1\.3 charger 750\.0 165\.0 8\.0 5\.5", text)
    assert re.search(r"M4\.2 hook 3 450\.0 418\.0 4\.5 3", text)
    for words in ("non-combustible", "cables and pipes", "Rest rail", "Cover strip", "felt"):
        assert words in text


@pytest.mark.parametrize(("scale", "unit"), [(1 / 25.4, units.IN), (0.1, units.CM)])
def test_the_drawing_s_unit_counts(scale: float, unit: int) -> None:
    plan = only(CHARGER)
    drawn = drawn_shapes(plan, [], {"plate.dxf": plate_dxf(scale, unit)}.get)
    mm = drawn_shapes(plan, [], DRAWINGS.get)
    for a, b in zip(drawn.holes[1], mm.holes[1], strict=True):
        assert (a.x_mm, a.y_mm, a.diameter_mm) == pytest.approx(
            (b.x_mm, b.y_mm, b.diameter_mm), abs=0.01
        )


def test_a_pattern_of_the_thing_s_back_is_mirrored_and_turned() -> None:
    odd = (HolePlan(-30, 5, 4), HolePlan(30, -5, 4), HolePlan(10, 20, 4))
    mount = MountPlan("rack", holes=odd, x_mm=600, y_mm=250, from_behind=True, turn_deg=90)
    (made,) = panel_for(only(mount)).mounts
    # seen from the front (-30, 5) is (30, 5); turned by 90 degrees counter-clockwise (-5, 30)
    places = [(h.x_mm - 600, h.y_mm - 250) for h in made.holes]
    assert places == [pytest.approx(p, abs=1e-9) for p in ((-5, 30), (5, -30), (-20, -10))]


def test_a_row_keeps_its_pitch_down_the_wall() -> None:
    (one, two) = panel_for(only(replace(HOOKS, count=2, row=Row.UPRIGHT))).mounts
    assert two.holes[0].x_mm == one.holes[0].x_mm
    assert one.holes[0].y_mm - two.holes[0].y_mm == pytest.approx(60)
    assert (one.mount_id, two.name) == ("M1", "hook 2")


@pytest.mark.parametrize(
    ("mount", "slug"),
    [
        (replace(CHARGER, air_mm=5.0), "mount-air-short"),
        (replace(CHARGER, count=2, pitch_mm=150.0, x_mm=600.0), "mount-too-near"),
        (replace(CHARGER, x_mm=820.0), "fitting-off-panel"),
        (replace(CHARGER, x_mm=200.0, y_mm=120.0), "fitting-too-near"),
        (replace(CHARGER, width_mm=60.0), "mount-hole-outside"),
    ],
)
def test_what_is_wrong_with_a_mount_is_said(mount: MountPlan, slug: str) -> None:
    assert slug in slugs(panel_for(only(mount)))
    assert slug not in slugs(panel_for(only(CHARGER)))


def test_foam_alone_holds_no_mount() -> None:
    bare = wall_plan().plies[:2]
    assert "mount-without-board" in slugs(panel_for(only(CHARGER, plies=bare)))


@pytest.mark.parametrize(
    ("mount", "slug"),
    [
        (MountPlan("none"), "mount-no-hole"),
        (MountPlan("wheel", file="wheel.svg", width_mm=9.0), None),
        (MountPlan("plate", file="missing.dxf"), "plan-drawing-missing"),
        (MountPlan("square", file="square.svg"), "drawing-no-hole"),
        (replace(HOOKS, powered=True), "mount-size-missing"),
        (replace(HOOKS, pitch_mm=None), "mount-pitch-missing"),
        (replace(HOOKS, count=100, holes=HOOKS.holes * 11), "mount-too-many"),
    ],
)
def test_bad_mounts_are_refused_in_a_sentence(mount: MountPlan, slug: str | None) -> None:
    head = b'<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm" viewBox="0 0 9 9">'
    # a hexagon's corners lie on a circle, and still it is none
    hexagon = b'<path d="M8 4.5 6.25 7.53 2.75 7.53 1 4.5 2.75 1.47 6.25 1.47Z"/></svg>'
    files = {**DRAWINGS, "square.svg": head + hexagon}
    if slug is None:
        assert len(drawn_shapes(only(mount), [], files.get).holes[1]) == 1
        return
    with pytest.raises(TracerError) as caught:
        from tracer.workflows.arranging.arrange import arrange_tools

        wanted = only(mount)
        arrange_tools(TOOLS, wanted, drawn=drawn_shapes(wanted, [], files.get))
    assert caught.value.slug == slug


# -- ledges -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ledge", "slug"),
    [
        (replace(STAND, x_mm=120.0, y_mm=120.0), "ledge-covers"),
        (replace(STAND, x_mm=300.0, y_mm=120.0, swing_mm=150.0), "ledge-blocked"),
        (replace(STAND, mass_kg=None), "ledge-load-unknown"),
        (replace(STAND, y_mm=350.0), "out-of-reach"),
    ],
)
def test_what_is_wrong_with_a_ledge_is_said(ledge: LedgePlan, slug: str) -> None:
    proud = [replace(t, depth_mm=15.0) for t in TOOLS]
    assert slug in slugs(panel_for(only(ledges=(ledge,)), proud))
    assert slug not in slugs(panel_for(only(ledges=(STAND,)), proud))


def test_two_ledges_in_each_other_s_way() -> None:
    above = replace(STAND, name="jug", y_mm=330.0)
    found = [c for c in panel_for(only(ledges=(STAND, above))).checks if c.slug == "ledge-blocked"]
    # the lower one is lifted by 60 mm into the upper one, 20 mm above it; not the other way round
    assert [c.subject_id for c in found] == ["S1"]


# -- rest rail ----------------------------------------------------------------------------------


def test_the_rail_lies_under_the_panel_and_its_screws_go_by_weight() -> None:
    panel = panel_for(only(rail=RAIL))
    rail = panel.rail
    assert rail is not None and (rail.x_mm, rail.length_mm) == (0, 900)
    # 0.45 m2 of 40 mm at 45 kg/m3 and of 12 mm at 680 kg/m3, and three tools of 0.4 kg
    own = 0.45 * (0.040 * 45 + 0.012 * 680)
    assert panel_mass_kg(panel) == pytest.approx(own, rel=1e-6)
    assert rail.load_kg == pytest.approx(own + 1.2, abs=0.01)
    # below 10 kg no more than 400 mm apart: 800 mm between the outer ones are two gaps
    assert [h.x_mm for h in rail.holes] == [50, 450, 850]
    assert all(h.y_mm == -22.5 for h in rail.holes)
    heavy = panel_for(only(rail=RAIL), [replace(t, mass_kg=5.0) for t in TOOLS]).rail
    assert heavy is not None and len(heavy.holes) == 4  # 19.5 kg: 300 mm


@pytest.mark.parametrize(
    ("changes", "tool_kg", "slug"),
    [
        ({"rail": RAIL}, None, "rail-load-unknown"),
        ({"rail": RAIL}, 20.0, "rail-load-heavy"),
        ({"rail": replace(RAIL, thickness_mm=20.0)}, 0.4, "rail-thin"),
    ],
)
def test_what_is_wrong_with_a_rail_is_said(
    changes: dict[str, object], tool_kg: float | None, slug: str
) -> None:
    tools = [replace(t, mass_kg=tool_kg) for t in TOOLS]
    assert slug in slugs(panel_for(only(**changes), tools))  # type: ignore[arg-type]
    assert slug not in slugs(panel_for(only(rail=RAIL)))


def test_bad_rails_are_refused_in_a_sentence() -> None:
    with pytest.raises(TracerError) as caught:
        panel_for(replace(only(rail=RAIL), bay=drawer(900, 500)))
    assert caught.value.slug == "rail-without-wall"
    with pytest.raises(TracerError) as caught:
        panel_for(only(rail=RailPlan(length_mm=120.0)))
    assert caught.value.slug == "rail-too-short"
