"""Holes in a rendered back plate: diameters, places, and the drawing that a mount names."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from PIL import Image
from shapely.geometry import Point, Polygon, box

from tests.panel.fittings.bicycle_wall import TOOLS, wall_plan
from tests.scene_maker import Scene, make_scene, make_view
from tests.scene_parts import Look
from tracer.cli.app import run
from tracer.errors import TracerError
from tracer.model.fitting_plans import MountPlan
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.arranging.drawn_shapes import drawn_shapes
from tracer.workflows.arranging.hole_pattern import HolePattern, hole_pattern

#: what is asked of a hole from a photo
DIAMETER_MM, PLACE_MM = 0.3, 0.5
PLATE = box(280, 120, 430, 230)
HOLES = ((300.0, 140.0, 5.0), (410.0, 140.0, 5.0), (300.0, 210.0, 4.0), (410.0, 212.0, 8.0),
         (355.0, 175.0, 12.0))  # fmt: skip
HEIGHT = 25.0
LOOKS = {
    "light plate on board": ((0.7, 0.7, 0.7), (0.03, 0.03, 0.03), "grey board"),
    "black plate on oak": ((0.05, 0.05, 0.05), (0.006, 0.006, 0.006), "oak"),
}


def seen_at(shape: Polygon, eye_mm: np.ndarray, z_mm: float) -> Polygon:
    """Where a shape at a height hides the sheet: away from the camera's foot by H / (H - z)."""
    away = eye_mm[2] / (eye_mm[2] - z_mm)
    ring = np.asarray(shape.exterior.coords)[:, :2]
    return Polygon(eye_mm[:2] + (ring - eye_mm[:2]) * away)


@cache
def scene(look: str, holes: tuple[tuple[float, float, float], ...] = HOLES) -> Scene:
    face, dark, ground = LOOKS[look]
    view = make_view((3200, 2400))
    eye = view.centre_mm
    extras = [(seen_at(PLATE, eye, HEIGHT), face)]
    for x, y, d in holes:
        extras.append((seen_at(Point(x, y).buffer(d / 2, quad_segs=64), eye, HEIGHT), dark))
    return make_scene(view=view, look=Look(ground=ground, extras=tuple(extras), seed=5))


@pytest.fixture(scope="module", params=list(LOOKS))
def found(request: pytest.FixtureRequest) -> HolePattern:
    return hole_pattern(scene(request.param).photo, height_mm=HEIGHT)


def test_every_hole_is_found_and_nothing_else(found: HolePattern) -> None:
    assert len(found.holes) == len(HOLES)
    middle = np.array([(300 + 410) / 2, (140 + 212) / 2])
    for x, y, d in HOLES:
        at = np.array([x, y]) - middle
        hole = min(found.holes, key=lambda h: float(np.hypot(h.x_mm - at[0], h.y_mm - at[1])))
        assert np.hypot(hole.x_mm - at[0], hole.y_mm - at[1]) < PLACE_MM / 4  # 0.07 mm measured
        assert abs(hole.diameter_mm - d) < DIAMETER_MM / 3  # 0.04 mm measured


def test_the_height_of_the_face_counts() -> None:
    """Negative control: taken for lying on the sheet, the pattern is larger by H / (H - z)."""
    wrong = hole_pattern(scene("light plate on board").photo, height_mm=0.0)
    right = hole_pattern(scene("light plate on board").photo, height_mm=HEIGHT)

    def width(p: HolePattern) -> float:
        return max(h.x_mm for h in p.holes) - min(h.x_mm for h in p.holes)

    assert width(wrong) / width(right) == pytest.approx(800 / 775, rel=0.003)
    assert width(wrong) - width(right) > PLACE_MM


def test_the_drawing_makes_a_mount(found: HolePattern, tmp_path: Path) -> None:
    """Circles as ezdxf reads them, and as the plan's reader takes them."""
    path = tmp_path / "back.dxf"
    path.write_bytes(found.dxf)
    doc = ezdxf.readfile(path)
    assert doc.units == ezdxf.units.MM and len(doc.modelspace()) == len(HOLES)
    mount = MountPlan("rack", file="back.dxf", from_behind=True, x_mm=600, y_mm=250)
    plan = wall_plan(emblems=(), cavities=(), ledges=(), rail=None, mounts=(mount,))
    holes = drawn_shapes(plan, [], lambda _: found.dxf).holes[1]
    assert sorted(h.diameter_mm for h in holes) == pytest.approx([4, 5, 5, 8, 12], abs=0.1)
    panel, _ = arrange_tools(TOOLS, plan, drawn=drawn_shapes(plan, [], lambda _: found.dxf))
    (made,) = panel.mounts
    eight = next(h for h in made.holes if abs(h.diameter_mm - 8) < 0.3)
    assert eight.x_mm == pytest.approx(600 - 55, abs=0.2)  # right in the photo, left on the wall


def test_the_command_writes_drawing_and_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Image.fromarray(scene("light plate on board", HOLES[:2]).photo.pixels).save(
        "back.png", compress_level=1
    )
    told = ["holes", "back.png", "--height", "25", "--card-size", "168x112"]
    assert run(told) in (0, 3)
    assert "hole 2: diameter 4.9" in capsys.readouterr().out
    assert (tmp_path / "back-holes.dxf").is_file()
    assert Image.open(tmp_path / "back-holes.png").width > 900
    assert run(told) == 1  # nothing is written over
    assert "[file-exists]" in capsys.readouterr().err
    assert run([*told, "--replace", "--within", "5,5,60,60"]) == 1
    assert "[holes-none]" in capsys.readouterr().err


def test_a_photo_without_holes_is_refused_in_a_sentence() -> None:
    with pytest.raises(TracerError) as caught:
        hole_pattern(scene("light plate on board", ()).photo, height_mm=HEIGHT)
    assert caught.value.slug == "holes-none"
