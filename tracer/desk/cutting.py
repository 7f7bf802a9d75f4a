"""What the page may ask of cutting: machines and foams by name, with the cautions that go along."""

from __future__ import annotations

from typing import Any

from tracer.desk.bodies import unclear
from tracer.export.machine.checks import job_cautions, material_named
from tracer.export.machine.profiles import machine_names, materials, read_machine
from tracer.export.paper.template import PrinterScale
from tracer.model.panel_plan import FitClass
from tracer.project.cut_record import CutWish
from tracer.project.printer import load_printed, save_printed
from tracer.project.store import JobFolder
from tracer.ranges import OPTIONS, Range
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.freshness import freshness
from tracer.workflows.editing.input_values import any_of, number, optional

__all__ = ["cut_options", "cuts_again", "cutting_choices", "keep_printed"]

_BAR = Range(1, 1000, "mm")  # as read from a ruler; what is no bar of 100 mm is refused in words


def cutting_choices() -> dict[str, Any]:
    """Machines and materials, and for each pair what must be heeded."""
    foams = materials()
    machines = [read_machine(name) for name in machine_names()]
    return {
        "machines": [{"key": m.key, "title": m.title} for m in machines],
        "materials": [{"key": f.key, "title": f.title} for f in foams.values()],
        "cautions": {m.key: {k: job_cautions(m, f) for k, f in foams.items()} for m in machines},
        "fits": [f.value for f in FitClass],
        "printed_mm": load_printed(),
    }


def keep_printed(body: dict[str, Any]) -> None:
    """Keep what the bars of a template measure on this shop's printer.

    Raises
    ------
    TracerError
        ``desk-request-unclear``, ``printer-scale-wrong``.
    """
    try:
        x, y = (float(number(_BAR)(body.get(key))) for key in ("x_mm", "y_mm"))
    except ValueError:
        raise unclear() from None
    scale = PrinterScale(x, y)
    save_printed(scale.x_mm, scale.y_mm)


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
        printer=PrinterScale(*load_printed()),
    )


def cuts_again(folder: JobFolder) -> list[CutOptions]:
    """Every cut that was made before the last change, as it was asked then.

    A machine that is none of the program's own is left out: its profile is not known here.
    """
    options = []
    for cut in freshness(folder).old_cuts:
        if cut.machine not in machine_names():
            continue
        asked = cut.asked or CutWish()
        options.append(
            CutOptions(
                machine=read_machine(cut.machine),
                material=asked.material,
                thickness_mm=asked.thickness_mm,
                depth_mm=asked.depth_mm,
                fit=FitClass(asked.fit) if asked.fit else None,
                edge_mm=asked.edge_mm,
                web_mm=asked.web_mm,
                paper=asked.paper,
                printer=PrinterScale(*load_printed()),
            )
        )
    return options
