"""What the page may ask of cutting: machines and foams by name, with the cautions that go along."""

from __future__ import annotations

from typing import Any

from tracer.desk.bodies import unclear
from tracer.export.machine.checks import job_cautions, material_named
from tracer.export.machine.profiles import machine_names, materials, read_machine
from tracer.model.panel_plan import FitClass
from tracer.ranges import OPTIONS
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.editing.input_values import any_of, number, optional

__all__ = ["cut_options", "cutting_choices"]


def cutting_choices() -> dict[str, Any]:
    """Machines and materials, and for each pair what must be heeded."""
    foams = materials()
    machines = [read_machine(name) for name in machine_names()]
    return {
        "machines": [{"key": m.key, "title": m.title} for m in machines],
        "materials": [{"key": f.key, "title": f.title} for f in foams.values()],
        "cautions": {m.key: {k: job_cautions(m, f) for k, f in foams.items()} for m in machines},
        "fits": [f.value for f in FitClass],
    }


def cut_options(body: dict[str, Any]) -> CutOptions:
    """Options of a request. A machine is one of the program's own: no file is read by name.

    Raises
    ------
    TracerError
        ``desk-request-unclear``, ``material-unknown``.
    """
    try:
        machine = any_of(*machine_names())(body.get("machine"))
        fit = any_of(*(f.value for f in FitClass))(body.get("fit", "easy"))
        thickness = number(OPTIONS["--thickness"])(body.get("thickness_mm", 30))
        depth = optional(number(OPTIONS["--depth"]))(body.get("depth_mm"))
        edge = number(OPTIONS["--margin"])(body.get("edge_mm", 30))
    except ValueError:
        raise unclear() from None
    material = material_named(str(body.get("material", "unknown")))
    return CutOptions(
        machine=read_machine(machine),
        material=material.key,
        thickness_mm=thickness,
        depth_mm=depth,
        fit=FitClass(fit),
        edge_mm=edge,
    )
