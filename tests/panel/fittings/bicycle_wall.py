"""A wall of the bicycle workshop that has everything beside its pockets, for several tests."""

from __future__ import annotations

from dataclasses import replace

import ezdxf
from ezdxf import units

from tests.panel.bench import BOARD, FACE, THIN, plan, row_of_bars, wall
from tracer.export.machine.profiles import dxf_options, read_machine
from tracer.model.fitting_plans import (
    CavityPlan,
    EmblemPlan,
    HolePlan,
    LedgePlan,
    MountPlan,
    RailPlan,
    Side,
)
from tracer.model.machine import Machine
from tracer.model.panel import Panel
from tracer.model.panel_plan import Anchor, PanelPlan, PlacementPlan, PlyPlan
from tracer.panel.layout.places import Tool
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.arranging.drawn_shapes import drawn_shapes
from tracer.workflows.cutting.cut_panel import PanelCut, PanelCutOptions, cut_panel

#: a wheel in millimetres: tyre, two holes between rim and a wide spoke
WHEEL_SVG = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="120mm" viewBox="0 0 120 120">'
    b'<circle cx="60" cy="60" r="60"/>'
    b'<path d="M66 14.5 A46 46 0 0 1 66 105.5 Z"/><path d="M54 14.5 A46 46 0 0 0 54 105.5 Z"/>'
    b"</svg>"
)


def plate_dxf(scale: float = 1.0, unit: int = units.MM) -> bytes:
    """The back plate of a charger: two holes of diameter 5 and one of 8 mm."""
    doc = ezdxf.new("R2000")
    doc.units = unit
    for x, y, d in ((-45, 10, 5), (45, 10, 5), (0, -20, 8)):
        doc.modelspace().add_circle((x * scale, y * scale), d / 2 * scale)
    doc.modelspace().add_lwpolyline([(-70, -40), (70, -40), (70, 40), (-70, 40)], close=True)
    import io

    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode()


CABLE = CavityPlan(
    "work light", 6.0, 900.0, radius_mm=60, x_mm=440, y_mm=120, start_deg=-60, sweep_deg=120,
    pocket_id="T03",
)  # fmt: skip
CHARGER = MountPlan(
    "charger", file="plate.dxf", x_mm=750, y_mm=180, width_mm=140, height_mm=90, powered=True,
    cable_mm=7.0, cable_to=Side.LOWER, mass_kg=0.6,
)  # fmt: skip
HOOKS = MountPlan(
    "hook", holes=(HolePlan(0, 12, 4.5), HolePlan(0, -12, 4.5)), x_mm=330, y_mm=430, count=3,
    pitch_mm=60, mass_kg=0.1,
)  # fmt: skip
WORD = EmblemPlan("word", text="BIKE", height_mm=70, x_mm=600, y_mm=420)
WHEEL = EmblemPlan("wheel", file="wheel.svg", x_mm=815, y_mm=400)
STAND = LedgePlan(
    "truing stand", 560.0, 250.0, 100.0, 60.0, 200.0, 3.0, lift_mm=60.0, swing_mm=10.0
)
RAIL = RailPlan(40.0, 45.0, finish="felt", cover_strip=True)
DRAWINGS = {"wheel.svg": WHEEL_SVG, "plate.dxf": plate_dxf()}

TOOLS = [replace(t, mass_kg=0.4) for t in row_of_bars(3, height_mm=30.0)]
STACK = (
    PlyPlan("face", FACE, thicknesses_mm=(3.0, 7.0, 10.0, 20.0)),
    PlyPlan("base", replace(FACE, colour="yellow", rgb=(240, 210, 20), thickness_mm=10.0)),
    PlyPlan("backing", BOARD),
)


def wall_plan(**changes: object) -> PanelPlan:
    """The plan of the wall, single parts of it changed."""
    parts: dict[str, object] = {
        "title": "Bicycle workshop",
        "plies": STACK,
        "insert": THIN,
        "placement": PlacementPlan(anchor=Anchor.MARGIN),
        "emblems": (WORD, WHEEL),
        "cavities": (CABLE,),
        "mounts": (CHARGER, HOOKS),
        "ledges": (STAND,),
        "rail": RAIL,
    }
    return plan(wall(900, 500, 1000.0), **(parts | changes))


def panel_for(wanted: PanelPlan, tools: list[Tool] = TOOLS) -> Panel:
    """The checked panel of a plan, its drawings from this module."""
    drawn = drawn_shapes(wanted, [t.outline for t in tools], DRAWINGS.get)
    return arrange_tools(tools, wanted, drawn=drawn)[0]


def cut_for(wanted: PanelPlan, machine: Machine | str = "oscillating-knife") -> PanelCut:
    """The cutting files of a plan."""
    profile = read_machine(machine) if isinstance(machine, str) else machine
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    return cut_panel(panel_for(wanted), wanted, TOOLS, options, name="wall")


def file_of(done: PanelCut, part: str, ending: str = ".dxf") -> bytes:
    """The one file whose name holds a part."""
    (name,) = [n for n in done.files if part in n and n.endswith(ending) and "reference" not in n]
    return done.files[name]


def slugs(panel: Panel) -> set[str]:
    return {c.slug for c in panel.checks}
