"""The sheet of a trial in foam: the page to print, and three pockets for the machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.geometry import box

from tracer.errors import UsageError
from tracer.export.drawing.cut_drawing import draw_cut, draw_reference
from tracer.export.machine.checks import job_cautions, material_named, refuse_forbidden
from tracer.export.machine.profiles import dxf_options
from tracer.export.paper.trial_page import trial_page_pdf
from tracer.geometry.loops import polygon_of
from tracer.model.machine import Kerf, Machine
from tracer.model.pocket import Pocket, PocketRule
from tracer.model.trial import TRIED_FITS, Trial
from tracer.panel.pocket.fits import FITS
from tracer.panel.pocket.pockets import make_pocket
from tracer.project.trial_file import TRIAL_NAME, dump_trial
from tracer.workflows.cutting.sheet_files import sheet_files

__all__ = ["PAGE_NAME", "refuse_sizes", "trial_files", "trial_pockets"]

PAGE_NAME = "trial-page-{}.pdf"
#: foam between the pockets and round them
_WEB_MM, _EDGE_MM = 15.0, 20.0
#: straight sides are no traced outline: lines lie on them
_TOLERANCE_MM = 0.02
#: what the page has room for
COIN_SPAN, LONG_SPAN, SHORT_SPAN = (10.0, 35.0), (15.0, 60.0), (8.0, 25.0)


def refuse_sizes(trial: Trial) -> None:
    """Stop at things that the page has no room for.

    Raises
    ------
    UsageError
        ``trial-sizes-wrong``.
    """
    long, short, _ = trial.block_mm
    for what, value, (low, high) in (
        ("round thing's diameter", trial.coin_mm[0], COIN_SPAN),
        ("block's long side", long, LONG_SPAN),
        ("block's short side", short, SHORT_SPAN),
    ):
        if not low <= value <= high:
            raise UsageError(
                "trial-sizes-wrong",
                f"The {what} is {value:g} mm, and the page has room for {low:g} to {high:g} mm.",
                "Measure another thing with a calliper: a coin, a socket, a block of wood.",
            )


def trial_pockets(trial: Trial, machine: Machine) -> dict[str, Pocket]:
    """By fit class the pocket of the block, upright, side by side from (0, 0) on."""
    made: dict[str, Pocket] = {}
    at = 0.0
    long, short, _ = trial.block_mm
    offset = machine.wall_offset_mm(trial.thickness_mm)
    for fit in TRIED_FITS:
        rule = PocketRule(
            fit_mm=FITS[fit].gap_mm + offset,
            depth_mm=None,
            cutter_radius_mm=machine.inside_radius_mm,
            relief=machine.relief,
            tolerance_mm=_TOLERANCE_MM,
        )
        done = make_pocket(box(at, 0, at + short, long), rule, pocket_id=fit.value, name=fit.value)
        made[fit.value] = done.pocket
        at += short + _WEB_MM
    return made


def trial_files(trial: Trial, machine: Machine, *, paper: str = "a4") -> dict[str, bytes]:
    """The page, the machine's files and what is kept of the trial, by name.

    Raises
    ------
    TracerError
        ``trial-sizes-wrong``, ``material-forbidden``, ``material-unknown``,
        ``card-paper-unknown``, ``card-number-range``.
    """
    refuse_sizes(trial)
    material = material_named(trial.material)
    refuse_forbidden(machine, material)
    pockets = trial_pockets(trial, machine)
    walls = {name: polygon_of(p.wall) for name, p in pockets.items()}
    page = trial_page_pdf(trial, walls, paper=paper)
    origin, size = _sheet([*pockets.values()])
    cut = draw_cut(
        [*pockets.values()], title="Trial", origin_mm=origin, size_mm=size, machine=machine
    )
    bare = replace(machine, kerf=Kerf.NONE, kerf_mm=0.0)
    true = draw_cut(
        [*pockets.values()], title="Trial", origin_mm=origin, size_mm=size, machine=bare
    )
    reference, _ = draw_reference([*pockets.values()], cut)
    written = sheet_files(
        f"trial-{machine.key}",
        "",
        cut,
        reference,
        machine=machine,
        thickness_mm=trial.thickness_mm,
        dxf=dxf_options(machine),
        walls=true,
        paper=paper,
        cautions=job_cautions(machine, material),
        names={name: name for name in pockets},
    )
    return {
        TRIAL_NAME: dump_trial(trial),
        PAGE_NAME.format(paper.lower()): page,
        **written.files,
    }


def _sheet(pockets: Sequence[Pocket]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lower left corner and size of the piece of foam."""
    x0, y0, x1, y1 = shapely.union_all([p.region for p in pockets]).bounds
    size = float(round(x1 - x0 + 2 * _EDGE_MM)), float(round(y1 - y0 + 2 * _EDGE_MM))
    return (x0 - _EDGE_MM, y0 - _EDGE_MM), size
