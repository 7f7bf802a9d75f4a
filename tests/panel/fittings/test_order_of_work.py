"""Squeeze by hardness, a bay out of square, masking pieces, steps, and what is kept of it all."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pypdfium2
import pytest
import shapely

from tests.panel.bench import BASE, FACE, drawer, panel_of, plan, row_of_bars, spanner, tool
from tests.panel.fittings.bicycle_wall import DRAWINGS, TOOLS, cut_for, panel_for, wall_plan
from tracer.export.machine.profiles import read_machine
from tracer.model.panel import Panel
from tracer.model.panel_plan import PlyPlan, ToolPlan
from tracer.panel.layout.bay import out_of_square_deg
from tracer.panel.stock.masking import masking_pieces
from tracer.panel.stock.work_steps import cutting_depths, laying_order, work_steps
from tracer.pictures.panel import panel_png
from tracer.project.panel_file import PanelFile, dump_panel, load_panel
from tracer.project.plan_file import plan_from_toml, plan_toml

KNIFE = read_machine("oscillating-knife")


@pytest.mark.parametrize(
    ("density", "squeeze"), [(25.0, 4.0), (33.0, 3.0), (45.0, 2.0), (100.0, 1.0), (None, 3.0)]
)
def test_a_panel_that_grips_is_larger_by_what_its_foam_needs(
    density: float | None, squeeze: float
) -> None:
    soft = tuple(
        PlyPlan(role, replace(stock, density_kg_m3=density))
        for role, stock in (("face", FACE), ("base", BASE))
    )
    bay = replace(drawer(420, 260), grip=True)
    panel = panel_of(row_of_bars(2), plan(bay, plies=soft))
    assert panel.size_mm == pytest.approx((420 + squeeze, 260 + squeeze), abs=0.01)
    typed = panel_of(row_of_bars(2), plan(replace(bay, squeeze_mm=1.5), plies=soft))
    assert typed.size_mm == pytest.approx((421.5, 261.5), abs=0.01)


def test_a_bay_out_of_square_is_followed_and_said() -> None:
    """A parallelogram: sides 400 and 300, sheared by 3 degrees. Law of cosines for diagonals."""
    angle = math.radians(87.0)
    rising = math.sqrt(400**2 + 300**2 + 2 * 400 * 300 * math.cos(angle))
    falling = math.sqrt(400**2 + 300**2 - 2 * 400 * 300 * math.cos(angle))
    bay = replace(drawer(400, 300), rising_mm=rising, falling_mm=falling)
    corners = out_of_square_deg(bay)
    assert corners == pytest.approx((-3, 3, -3, 3), abs=0.01)
    panel = panel_of(row_of_bars(2), plan(bay))
    assert panel.shape.area == pytest.approx(400 * 300 * math.sin(angle), rel=1e-4)
    assert out_of_square_deg(drawer(400, 300)) == pytest.approx((0, 0, 0, 0), abs=1e-6)


def test_the_job_sheet_tells_squeeze_and_corners() -> None:
    bay = replace(wall_plan().bay, rising_mm=1050.0, grip=True)  # type: ignore[type-var]
    done = cut_for(wall_plan(bay=bay, emblems=(), cavities=(), mounts=(), ledges=(), rail=None))
    pdf = pypdfium2.PdfDocument(done.files["wall-job-sheet.pdf"])
    text = " ".join(p.get_textpage().get_text_bounded() for p in pdf).replace("\r\n", " ")
    assert "2 mm larger than the bay both ways" in text
    assert "The bay is out of square" in text and "lower left 87." in text


# -- masking pieces -----------------------------------------------------------------------------


def deep() -> Panel:
    tools = [*row_of_bars(2, height_mm=40.0), tool(spanner(), 3, 260, 0, height_mm=24.0)]
    return panel_of(tools, plan(drawer(480, 300), tools=(ToolPlan("T01", through=True),)))


def test_what_falls_out_of_the_face_masks_its_opening() -> None:
    panel = deep()
    through = [p for p in panel.pockets if p.through]
    pieces = masking_pieces(panel)
    assert [m.mark for m in pieces] == [str(p.number) for p in through] and len(through) >= 1
    for piece, pocket in zip(pieces, through, strict=True):
        assert piece.region.area == pytest.approx(pocket.region.area, rel=0.35)
        assert piece.region.contains(pocket.outline.buffer(-1))
    alone = replace(panel, plies=panel.plies[:1])
    assert masking_pieces(alone) == ()  # nothing is glued


def test_in_layers_each_layer_has_its_piece() -> None:
    panel = panel_for(wall_plan(through_only=True, cavities=()))
    marks = [m.mark for m in masking_pieces(panel)]
    layers = sum(p.role.value == "face" for p in panel.plies)
    assert layers > 1 and len(marks) == len(set(marks))
    assert sum(m.startswith("M1/") for m in marks) == layers  # the charger's cut-out in each
    assert sum(m.startswith("E1/") for m in marks) >= 1


# -- steps --------------------------------------------------------------------------------------


def test_big_things_in_the_middle_come_first_then_rows_from_above() -> None:
    # two rows of bars and one wide spanner off to the side
    tools = [*row_of_bars(4), tool(spanner(180, 60), 5, 400, 0)]
    tools += [tool(spanner(100, 30), n, 80.0 * (n - 6), 190) for n in (6, 7, 8)]
    panel = panel_of(tools, plan(drawer(620, 460)))
    first, rows = laying_order(panel)
    areas = sorted((p.region.area for p in panel.pockets), reverse=True)
    assert {p.region.area for p in first} == set(areas[: len(first)]) and len(first) == 2
    heights = [max(p.region.centroid.y for p in row) for row in rows]
    assert heights == sorted(heights, reverse=True)
    for row in rows:
        lefts = [p.region.centroid.x for p in row]
        assert lefts == sorted(lefts)
    steps = work_steps(panel, KNIFE)
    laying = next(s for s in steps if s.startswith("Lay the tools"))
    assert f"in the middle, {first[0].number}" in laying and "row 1:" in laying


def test_thin_cuts_come_before_deep_ones() -> None:
    panel = panel_for(wall_plan())
    depths = [d for d, _ in cutting_depths(panel)]
    assert depths == sorted(depths) and depths[0] == 3 and depths[-1] == 30
    steps = work_steps(panel, KNIFE)
    cutting = next(s for s in steps if s.startswith("Cut the face"))
    assert cutting.index("3 mm (E1, E2)") < cutting.index("right through (M1")


def test_steps_follow_one_another_as_people_work() -> None:
    steps = work_steps(panel_for(wall_plan()), KNIFE)
    order = ("Measure the bay", "Rest rail", "Drill the pilot", "Cut the face", "Turn the face",
             "Cut the inlays", "Lay the leads", "Put the masking pieces", "Screw on mounts",
             "Press the cover strip", "Fit the tools")  # fmt: skip
    found = [next(n for n, s in enumerate(steps) if s.startswith(o)) for o in order]
    assert found == sorted(found)


# -- kept ---------------------------------------------------------------------------------------


def test_everything_is_kept_in_the_job_s_files() -> None:
    wanted = wall_plan()
    panel = panel_for(wanted)
    data = dump_panel(PanelFile(wanted, panel))
    back = load_panel(data, "panel.json")
    assert back.plan == wanted
    assert dump_panel(back) == data
    for kind in ("inlays", "back_cavities", "mounts", "ledges"):
        before, after = getattr(panel, kind), getattr(back.panel, kind)
        assert len(before) == len(after) >= 1
    assert back.panel.rail == panel.rail
    assert plan_from_toml(plan_toml(wanted), "panel.toml") == wanted
    now, then = back.panel.inlays[1], panel.inlays[1]
    assert shapely.symmetric_difference(now.region, then.region).area < 0.5
    assert (now.press_mm, now.depth_mm, now.stock) == (then.press_mm, then.depth_mm, then.stock)


def test_the_picture_shows_them(tmp_path: Path) -> None:
    """Colours at places that are known: wheel, ledge, rail; without them face, face, nothing."""
    import io

    from PIL import Image

    panel = panel_for(wall_plan())
    picture = Image.open(io.BytesIO(panel_png(panel, longest_px=924))).convert("RGB")
    scale = picture.width / (900 + 24)

    def at(x: float, y: float) -> tuple[int, ...]:
        return picture.getpixel(((x + 12) * scale, (500 + 12 - y) * scale))  # type: ignore[return-value]

    assert at(815 + 53, 400) == (240, 210, 20)  # the wheel's tyre
    assert at(815 - 25, 400) == (55, 55, 58)  # face between tyre and spoke
    assert at(520, 235) == (214, 190, 158)  # the ledge, off its letters
    assert at(300, -22) == (214, 190, 158)  # the rail below the panel
    bare = Image.open(io.BytesIO(panel_png(replace(panel, rail=None)))).convert("RGB")
    assert bare.height / bare.width < picture.height / picture.width


def test_a_fresh_layout_leaves_their_room_free() -> None:
    from tracer.model.panel_plan import Arrangement, Effort, PlacementPlan, Style

    place = PlacementPlan(Arrangement.FRESH, style=Style.SPREAD, effort=Effort.QUICK)
    wanted = wall_plan(placement=place, cavities=())
    panel = panel_for(wanted, TOOLS)
    taken = [i.region for i in panel.inlays] + [m.opening for m in panel.mounts if m.opening]
    for pocket in panel.pockets:
        assert all(pocket.region.distance(t) >= 10 for t in taken)
    assert panel.keep_outs == () and DRAWINGS
