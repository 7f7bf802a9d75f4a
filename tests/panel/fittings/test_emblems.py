"""Emblems: hole and inlay from one shape, read back by GDAL; islands, strokes, bad inputs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from tests.export.readers import rings_by_gdal
from tests.panel.bench import outline, tool
from tests.panel.fittings.bicycle_wall import (
    TOOLS,
    WHEEL,
    WHEEL_SVG,
    WORD,
    cut_for,
    file_of,
    panel_for,
    slugs,
    wall_plan,
)
from tracer.errors import TracerError
from tracer.export.machine.profiles import read_machine
from tracer.model.fitting_plans import EmblemPlan, Islands
from tracer.model.machine import Kerf
from tracer.model.panel_plan import PanelPlan, ToolPlan
from tracer.model.stack import Stock
from tracer.panel.fittings.emblems import with_bridges, without_small_islands
from tracer.panel.stock.inlays import inlay_pieces, reachable_inlays
from tracer.workflows.arranging.drawn_shapes import drawn_shapes

#: what the press allowance may be off, asked for; arcs and lines err by less
ALLOWED_MM = 0.03
DULL = Stock("grey", (60, 60, 60), "pe", 3.0, (1000.0, 500.0))
THICK = Stock("yellow", (240, 210, 20), "pe", 30.0, (1000.0, 500.0))


def alone(*emblems: EmblemPlan) -> PanelPlan:
    return wall_plan(emblems=emblems, cavities=(), mounts=(), ledges=(), rail=None)


def regions(data: bytes, folder: Path, layers: tuple[str, ...]) -> list[Polygon]:
    """Areas that GDAL finds on layers: what lies inside an odd number of rings."""
    whole: BaseGeometry = Polygon()
    for ring in rings_by_gdal(data, folder):
        if ring.layer in layers:
            whole = whole.symmetric_difference(Polygon(ring.points))
    return list(getattr(whole, "geoms", [whole]))


def laid_over(piece: Polygon, hole: Polygon, press: float) -> Polygon:
    """The piece in the hole: shrunk by its allowance both have one middle; four ways to turn it."""
    ways = []
    for turn in (0, 90, 180, 270):
        turned = affinity.rotate(piece, turn, origin=(0, 0))
        there, goal = turned.buffer(-press, quad_segs=64).centroid, hole.centroid
        ways.append(affinity.translate(turned, goal.x - there.x, goal.y - there.y))
    return min(ways, key=lambda w: w.symmetric_difference(hole).area)


@pytest.mark.parametrize(
    ("machine", "press"),
    [("oscillating-knife", 0.2), ("co2-laser", 0.15), ("router", 0.0), ("scalpel", -0.1)],
)
def test_inlay_is_the_hole_and_the_press_allowance(
    machine: str, press: float, tmp_path: Path
) -> None:
    """Finished walls: a kerf that the file allows for is given back, half of it on either side.

    Both files are read by GDAL's DXF driver. Measured: the distance of every point of the inlay's
    rim from the hole's rim.
    """
    profile = read_machine(machine)
    emblems = (replace(WORD, press_mm=press), replace(WHEEL, press_mm=press))
    done = cut_for(alone(*emblems), profile)
    half = profile.kerf_mm / 2 if profile.kerf is Kerf.FILE else 0.0
    front = file_of(done, "face-dark-grey-front" if profile.cuts_depth else "1-face-dark-grey")
    layer = "pocket-3.0" if profile.cuts_depth else "through"
    holes = [h.buffer(half, quad_segs=64) for h in regions(front, tmp_path, (layer,))]
    pieces = regions(file_of(done, "inlays"), tmp_path, ("inlay",))
    pieces = [p.buffer(-half, quad_segs=64) for p in pieces]
    used = [h for h in holes if h.bounds[1] > 300]  # emblems stand above the tools
    assert len(pieces) == 5 and len(used) == 5
    for piece in pieces:
        ways = [(laid_over(piece, h, press), h) for h in used]
        there, hole = min(ways, key=lambda w: w[0].symmetric_difference(w[1]).area)
        wanted = hole.buffer(press, quad_segs=64)
        off = max(
            float(shapely.distance(shapely.points(shapely.get_coordinates(a)), b.boundary).max())
            for a, b in ((there, wanted), (wanted, there))
        )
        assert off <= ALLOWED_MM, (machine, off)
        # the signed mean, by area over length, is nearer still
        mean = (there.area - hole.area) / hole.length
        assert mean == pytest.approx(press, abs=0.012)


def test_a_wrong_allowance_would_be_seen(tmp_path: Path) -> None:
    """The negative control of the test above: an allowance of one side only is 0.1 mm off."""
    done = cut_for(alone(replace(WHEEL, press_mm=0.1)))
    (piece,) = regions(file_of(done, "inlays"), tmp_path, ("inlay",))
    hole = max(
        regions(file_of(done, "dark-grey-front"), tmp_path, ("pocket-3.0",)), key=lambda p: p.area
    )
    there = laid_over(piece, hole, 0.2)
    off = shapely.distance(
        shapely.points(shapely.get_coordinates(there)), hole.buffer(0.2).boundary
    ).max()
    assert off > ALLOWED_MM


def test_the_drawing_comes_out_at_its_size_and_place() -> None:
    """The wheel's own figures: a disc of radius 60 without two segments of radius 46."""
    (inlay,) = panel_for(alone(WHEEL)).inlays
    x0, y0, x1, y1 = inlay.region.bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((120, 120), abs=0.02)
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((815, 400), abs=0.01)
    # segments over a chord of 91 mm: r^2 / 2 (a - sin a) with sin(a / 2) = 45.5 / r (Bronstein,
    # Handbook of Mathematics, circle segment; from memory)
    angle = 2 * np.arcsin(45.5 / 46.0)
    segment = 46.0**2 / 2 * (angle - np.sin(angle))
    assert inlay.region.area == pytest.approx(np.pi * 3600 - 2 * segment, rel=2e-3)
    assert inlay.depth_mm == 3 and not inlay.through and inlay.loose == ()


def test_letters_are_as_tall_as_asked_and_centred() -> None:
    plan = alone(EmblemPlan("word", text="HI", height_mm=80, within_mm=(300, 250, 400, 200)))
    (inlay,) = panel_for(plan).inlays
    x0, y0, x1, y1 = inlay.region.bounds
    assert y1 - y0 == pytest.approx(80, abs=0.05)  # cap height: H and I have no overshoot
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((500, 350), abs=0.01)
    fitted = alone(EmblemPlan("word", text="HI", within_mm=(300, 250, 60, 200)))
    box_mm = panel_for(fitted).inlays[0].region.bounds
    assert box_mm[2] - box_mm[0] == pytest.approx(60, abs=0.01)


def test_an_outline_of_a_photographed_drawing_is_an_emblem_and_no_tool() -> None:
    star = tool(Point(0, 0).buffer(40).difference(Point(0, 0).buffer(15)), 4, 300, 0)
    wanted = alone(EmblemPlan("drawn", outline_id="T04", width_mm=120, x_mm=600, y_mm=400))
    panel = panel_for(wanted, [*TOOLS, star])
    assert [p.pocket_id for p in panel.pockets] == ["T01", "T02", "T03"]
    (inlay,) = panel.inlays
    x0, _, x1, _ = inlay.region.bounds
    assert x1 - x0 == pytest.approx(120, abs=0.01)
    assert inlay.region.area == pytest.approx(np.pi * (60**2 - 22.5**2), rel=0.005)


@pytest.mark.parametrize("islands", list(Islands))
def test_islands_of_a_hole_through_the_face(islands: Islands, tmp_path: Path) -> None:
    """An O as thick as the face: the disc inside is a piece, hangs on a bridge, or is gone."""
    ring = EmblemPlan("ring", text="O", height_mm=90, stock=THICK, islands=islands,
                      x_mm=600, y_mm=400)  # fmt: skip
    done = cut_for(alone(ring))
    (inlay,) = done.panel.inlays
    assert inlay.through and inlay.depth_mm == 30
    rings = [r for r in rings_by_gdal(file_of(done, "dark-grey-front"), tmp_path)
             if r.layer == "through" and r.points[:, 0].min() > 500]  # fmt: skip
    if islands is Islands.LOOSE:
        assert len(inlay.loose) == 1 and "emblem-loose-pieces" in slugs(done.panel)
        assert len(rings) == 2
        # the island is cut first, and the other way round than what is around it
        assert rings[0].signed_area * rings[1].signed_area < 0
        assert abs(rings[0].signed_area) == pytest.approx(inlay.loose[0].area, rel=1e-3)
    else:
        assert inlay.loose == () and len(rings) == 1
    if islands is Islands.BRIDGED:
        hole = Polygon(rings[0].points)
        foam = box(400, 250, 800, 480).difference(hole)
        middle = Point(hole.envelope.centroid)
        (part,) = [p for p in getattr(foam, "geoms", [foam]) if p.contains(middle)]
        assert part.area > 0.5 * foam.area  # the island is one with the foam around
        narrow = part.buffer(-3.8)  # the bridge is 8 mm wide: it stands to nearly half of that
        assert any(p.contains(middle) and p.area > 1e4 for p in getattr(narrow, "geoms", [narrow]))


def test_a_bridge_slimmer_than_the_cutter_is_said() -> None:
    ring = EmblemPlan("ring", text="O", height_mm=90, stock=THICK, islands=Islands.BRIDGED,
                      x_mm=600, y_mm=400)  # fmt: skip
    panel = panel_for(replace(alone(ring), rules={"bridge_mm": 5.0}))
    assert panel.inlays[0].loose == ()
    cut, checks = reachable_inlays(panel, read_machine("oscillating-knife"))
    assert [c.slug for c in checks] == ["emblem-loose-pieces"] and len(cut.inlays[0].loose) == 1
    assert reachable_inlays(panel, read_machine("co2-laser"))[1] == ()


def test_small_islands_are_filled_and_said() -> None:
    washer = Point(0, 0).buffer(30).difference(Point(0, 0).buffer(4))
    kept, checks = without_small_islands([washer], "E1", "washer", 10.0)
    assert kept[0].interiors[:] == [] and checks[0].value == pytest.approx(8, abs=0.1)
    same, none = without_small_islands([washer], "E1", "washer", 7.5)
    assert len(same[0].interiors) == 1 and none == []


def test_a_bridge_is_as_wide_as_it_is_asked() -> None:
    ring = box(0, 0, 100, 100).difference(box(30, 30, 70, 70))
    (tied,) = with_bridges([ring], 6.0)
    assert len(tied.interiors) == 0
    bridge = max(shapely.get_parts(ring.difference(tied)), key=lambda p: p.area)
    x, y = shapely.get_coordinates(bridge.minimum_rotated_rectangle)[:3].T
    assert min(np.hypot(np.diff(x), np.diff(y))) == pytest.approx(6.0, abs=0.01)


def test_thin_strokes_and_webs_are_found() -> None:
    thin = panel_for(alone(EmblemPlan("thin", text="LIFT", height_mm=30, x_mm=600, y_mm=400)))
    check = next(c for c in thin.checks if c.slug == "emblem-stroke-thin")
    # the font's stem is 201 of 1493 units of its cap height (DejaVu Sans, glyf table)
    assert check.value == pytest.approx(30 * 201 / 1493, abs=0.15)
    fine = panel_for(alone(EmblemPlan("good", text="LIFT", height_mm=70, x_mm=600, y_mm=400)))
    assert not {"emblem-stroke-thin", "emblem-web-thin"} & slugs(fine)


def test_a_cutter_too_thick_for_the_letters_is_a_failure() -> None:
    done = cut_for(alone(EmblemPlan("thin", text="LIFT", height_mm=30, x_mm=600, y_mm=400)))
    assert "emblem-too-fine" in {c.slug for c in done.checks}
    laser = cut_for(
        alone(EmblemPlan("thin", text="LIFT", height_mm=30, x_mm=600, y_mm=400)), "co2-laser"
    )
    assert "emblem-too-fine" not in {c.slug for c in laser.checks}


@pytest.mark.parametrize(
    ("emblem", "slug"),
    [
        (replace(WHEEL, x_mm=60.0), "fitting-off-panel"),
        (replace(WHEEL, x_mm=200.0, y_mm=160.0), "fitting-too-near"),
        (replace(WHEEL, depth_mm=6.0), "inlay-not-flush"),
        (replace(WHEEL, depth_mm=27.0), "emblem-floor-thin"),
        (replace(WHEEL, stock=DULL), "emblem-contrast-low"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_an_emblem_is_said(emblem: EmblemPlan, slug: str) -> None:
    assert slug in slugs(panel_for(alone(emblem)))
    assert slug not in slugs(panel_for(alone(WHEEL)))


def test_in_layers_the_hole_is_a_whole_layer() -> None:
    """On a laser the face becomes layers, the first as thick as the inlay: it closes flush."""
    through = tuple(ToolPlan(f"T0{n}", through=True, notch=False) for n in (1, 2, 3))
    done = cut_for(replace(alone(WORD), tools=through), "co2-laser")
    assert done.panel.plies[0].stock.thickness_mm == 3
    assert "inlay-not-flush" not in {c.slug for c in done.checks}
    first = file_of(done, "1-face")
    assert b"\nthrough\n" in first and b"pocket-" not in first


@pytest.mark.parametrize(
    ("emblem", "slug"),
    [
        (EmblemPlan("none"), "emblem-source"),
        (EmblemPlan("both", text="A", file="wheel.svg"), "emblem-source"),
        (EmblemPlan("blank", text="  "), "emblem-source"),
        (EmblemPlan("gone", outline_id="T77"), "emblem-source"),
        (EmblemPlan("letters", text="扳手"), "emblem-letter-missing"),
        (EmblemPlan("file", file="missing.svg"), "plan-drawing-missing"),
        (EmblemPlan("path", file="../wheel.svg"), "plan-drawing-name"),
        (EmblemPlan("empty", file="line.svg"), "drawing-no-outline"),
        (EmblemPlan("unit", file="unit.svg"), "drawing-unit-unknown"),
        (EmblemPlan("text", file="text.svg"), "not-a-dxf-file"),
        (EmblemPlan("fit", text="A", within_mm=(0, 0, 0, 5)), "emblem-source"),
    ],
)
def test_bad_emblems_are_refused_in_a_sentence(emblem: EmblemPlan, slug: str) -> None:
    head = b'<svg xmlns="http://www.w3.org/2000/svg" width="9%s" height="9%s" viewBox="0 0 9 9">'
    files = {
        "line.svg": head % (b"mm", b"mm") + b'<path d="M0 0H5"/></svg>',
        "unit.svg": head % (b"", b"") + b'<path d="M0 0H5V5H0Z"/></svg>',
        "text.svg": b"no drawing at all",
        "wheel.svg": WHEEL_SVG,
    }
    wanted = alone(emblem)
    with pytest.raises(TracerError) as caught:
        drawn = drawn_shapes(wanted, [outline(box(0, 0, 9, 9))], files.get)
        from tracer.workflows.arranging.arrange import arrange_tools

        arrange_tools(TOOLS, wanted, drawn=drawn)
    assert caught.value.slug == slug
    assert caught.value.sentence.endswith(".")


def test_pieces_are_numbered_as_they_are_read() -> None:
    panel = panel_for(alone(WORD))
    lefts = [p.bounds[0] for p in inlay_pieces(panel.inlays[0])]
    assert lefts == sorted(lefts) and len(lefts) == 4
