"""What is scripted: photos in, outlines, panels and files out, all of it in memory.

Each function takes paths or values, gives a frozen value with its units in the names of its fields,
prints nothing, writes nothing, and raises `TracerError` where the input cannot be used. How far it
is goes to ``progress``, called with the step's name and the part of it that is done, 0 to 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, overload

from tracer import arguments
from tracer.errors import TracerError, UsageError
from tracer.export.examine.file import Examined
from tracer.export.examine.file import examine as examine_drawing
from tracer.export.machine.profiles import read_machine
from tracer.loading import read_file
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.panel import Bay, BayKind, Panel
from tracer.model.panel_plan import FitClass, PanelPlan
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.model.tool_list import ToolRow
from tracer.panel.layout.places import Tool
from tracer.panel.layout.rows import Change
from tracer.photos import decode_photo, read_photo
from tracer.project.outlines_file import OutlinesFile, kept_calibration
from tracer.project.plan_file import plan_from_toml
from tracer.project.tool_list import ToolList, parse_tool_list
from tracer.ranges import MOST_BYTES, OPTIONS, shown
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.arranging.drawn_shapes import beside_plan, drawn_shapes
from tracer.workflows.arranging.panel_tools import job_tools
from tracer.workflows.check import read_cutting_bytes, read_cutting_file
from tracer.workflows.cutting.cut import CutOptions, CutResult, cut_dxf_options, cut_lay
from tracer.workflows.cutting.cut_job import typed_depths
from tracer.workflows.cutting.cut_panel import PanelCut, PanelCutOptions, cut_panel
from tracer.workflows.job.trace_job import read_list
from tracer.workflows.swapping.swap import (
    SwapOptions,
    Swapped,
    find_outline,
    same_cards,
    swap_outline,
)
from tracer.workflows.tracing.trace import Trace, TraceOptions
from tracer.workflows.tracing.trace import trace as trace_lay

__all__ = ["ArrangedPanel", "ToolSwap", "arrange", "check", "cut", "swap", "trace"]

PhotoLike = Path | str | bytes | Photo
Callback = Callable[[str, float], None]


class _Told:
    """Hands progress to a plain function."""

    def __init__(self, callback: Callback | None) -> None:
        self._callback = callback
        self._step = ""

    def step(self, name: str) -> None:
        self._step = name
        self.fraction(0.0)

    def fraction(self, done: float) -> None:
        if self._callback is not None:
            self._callback(self._step, min(max(float(done), 0.0), 1.0))


@dataclass(frozen=True, eq=False)
class ArrangedPanel:
    """A panel with the plan and the tools it was made of, what tidying moved, and findings."""

    panel: Panel
    plan: PanelPlan
    tools: tuple[Tool, ...]
    changes: tuple[Change, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True, eq=False)
class ToolSwap:
    """All outlines after a swap, in the old frame, and what became of the one that changed."""

    outlines: tuple[Outline, ...]
    swapped: Swapped
    checks: tuple[Check, ...]


def trace(
    photos: PhotoLike | Sequence[PhotoLike],
    tools: Path | str | Sequence[ToolRow] = (),
    *,
    options: TraceOptions | None = None,
    progress: Callback | None = None,
) -> Trace:
    """Trace the photos of one lay.

    Parameters
    ----------
    photos
        One photo or several of the same lay: paths, bytes of files, or photos read before.
    tools
        Tool list: path of a CSV file, or rows. Points are pixels of the first photo, upright.
    options
        Card sizes, heights and what else is set for a lay; lengths in mm.
    progress
        Called with a step's name and the part of it that is done.

    Returns
    -------
    Trace
        Outlines in mm with their standard deviations, the calibration, findings.

    Raises
    ------
    TracerError
        Where a photo or a list cannot be read, or nothing can be measured in the photos.
    """
    options = options or TraceOptions()
    arguments.within("The camera's height", options.camera_height_mm, OPTIONS["--camera-height"])
    arguments.within(
        "The cards' thickness", options.card_sizes.thickness_mm, OPTIONS["--card-thickness"]
    )
    arguments.within("The default height", options.default_height_mm, OPTIONS["--height"])
    several = [photos] if isinstance(photos, PhotoLike) else arguments.listed(photos, "photos")
    if not several:
        raise UsageError("argument-unusable", "No photo was given.", "Give one photo or several.")
    rows, name = _rows(tools)
    read = [_photo(photo, number) for number, photo in enumerate(several, start=1)]
    return trace_lay(read, rows, options=options, list_name=name, progress=_Told(progress))


def arrange(
    traced: Trace | Sequence[Outline],
    plan: PanelPlan | Path | str | None = None,
    *,
    bay_mm: tuple[float, float] | None = None,
    progress: Callback | None = None,
) -> ArrangedPanel:
    """Arrange outlines in a bay.

    Parameters
    ----------
    traced
        What `trace` gave, or outlines.
    plan
        What is asked of the panel, or a plan file with its ``drawings``; None: a usual drawer.
    bay_mm
        Width and height of the bay, mm, instead of the plan's.
    progress
        Called with a step's name and the part of it that is done.

    Raises
    ------
    TracerError
        Where the plan cannot be read, or asks for what cannot be made.
    """
    path = Path(plan) if isinstance(plan, Path | str) else None
    if path is not None:
        data = read_file(path, MOST_BYTES["panel plan"], _plan_missing(path))
        plan = plan_from_toml(data, path.name)
    plan = plan or PanelPlan()
    if not isinstance(plan, PanelPlan):
        raise arguments.unusable("plan", plan, "a PanelPlan or the path of a plan file")
    if bay_mm is not None:
        width, height = arguments.pair(bay_mm, "bay_mm")
        for side in (width, height):
            arguments.within("A side of the bay", side, OPTIONS["--bay"])
        bay = plan.bay or Bay(BayKind.DRAWER, width, height)
        plan = replace(plan, bay=replace(bay, width_mm=width, height_mm=height))
    told = _Told(progress)
    told.step("panel")
    content, listed = _content(traced)
    tools, left_out = job_tools(content, listed, plan)
    drawn = drawn_shapes(plan, [t.outline for t in tools], beside_plan(path))
    panel, changes = arrange_tools(tools, plan, progress=told.fraction, drawn=drawn)
    return ArrangedPanel(panel, plan, tuple(tools), changes, (*panel.checks, *left_out))


@overload
def cut(
    what: Trace | Sequence[Outline],
    machine: Machine | Path | str = ...,
    *,
    name: str = ...,
    progress: Callback | None = ...,
    **options: Any,
) -> CutResult: ...
@overload
def cut(
    what: ArrangedPanel,
    machine: Machine | Path | str = ...,
    *,
    name: str = ...,
    progress: Callback | None = ...,
    **options: Any,
) -> PanelCut: ...
def cut(
    what: Trace | Sequence[Outline] | ArrangedPanel,
    machine: Machine | Path | str = "oscillating-knife",
    *,
    name: str = "tools",
    progress: Callback | None = None,
    **options: Any,
) -> CutResult | PanelCut:
    """Cut outlines as they were photographed, or an arranged panel.

    Parameters
    ----------
    what
        What `trace` or `arrange` gave, or outlines.
    machine
        Name of a profile, path of a profile's file, or a machine.
    name
        What the files' names begin with.
    progress
        Called with a step's name and the part of it that is done.
    options
        Fields of `CutOptions`: ``material``, ``thickness_mm``, ``depth_mm``, ``fit`` and others;
        of a panel only ``paper``, ``printer``, ``accepted``, ``dxf_version`` and ``straight``,
        since the rest is the panel's.

    Returns
    -------
    CutResult or PanelCut
        ``files`` holds every file by its name (DXF, SVG, PDF, PNG, JSON), each read back and
        compared with its drawing; ``checks`` and ``cautions`` go with them.

    Raises
    ------
    TracerError
        Where there is nothing to cut, the machine must not cut that foam, or an option is unknown.
    """
    made = machine if isinstance(machine, Machine) else read_machine(str(machine))
    wanted = _cut_options(made, options, of_panel=isinstance(what, ArrangedPanel))
    told = _Told(progress)
    if isinstance(what, ArrangedPanel):
        return cut_panel(
            what.panel,
            what.plan,
            what.tools,
            PanelCutOptions(
                machine=made,
                dxf=cut_dxf_options(wanted),
                paper=wanted.paper,
                printer=wanted.printer,
                accepted=wanted.accepted,
            ),
            name=name,
            progress=told,
        )
    content, tools = _content(what)
    depths = typed_depths(content, tools) | dict(wanted.depths_mm)
    return cut_lay(content.outlines, replace(wanted, depths_mm=depths), name=name, progress=told)


def swap(
    before: Trace,
    tool: str,
    new: Trace | PhotoLike | Sequence[PhotoLike],
    *,
    options: SwapOptions | None = None,
    trace_options: TraceOptions | None = None,
    progress: Callback | None = None,
) -> ToolSwap:
    """Swap one tool for another: only its outline changes.

    Parameters
    ----------
    before
        What `trace` gave of the lay.
    tool
        Id or name of the tool that goes.
    new
        Photos of the new tool among its cards, or what `trace` gave of them.
    options
        How it is laid into the old place; None: by the rule that fits.
    trace_options
        As for `trace`, of the new photos.

    Raises
    ------
    TracerError
        Where the tool is not known or the photos do not tell which one is new; and as `trace`.
    """
    if not isinstance(before, Trace):
        raise arguments.unusable("before", before, "what trace() gave")
    if not isinstance(tool, str):
        raise arguments.unusable("tool", tool, "an id or a name")
    old = find_outline(before.outlines, tool)
    done = new if isinstance(new, Trace) else trace(new, options=trace_options, progress=progress)
    others = [o for o in before.outlines if o is not old]
    same = same_cards(kept_calibration(before.calibration, {}), done)
    swapped = swap_outline(old, others, done, options or SwapOptions(), same_frame=same)
    outlines = tuple(swapped.new if o is old else o for o in before.outlines)
    return ToolSwap(outlines, swapped, (*done.checks, *swapped.checks))


def check(file: Path | str | bytes, *, square_mm: float = 100.0) -> Examined:
    """Examine a cutting file, ours or anybody's.

    Parameters
    ----------
    file
        Path or bytes of a DXF or SVG file.
    square_mm
        Side of the square by which the scale is checked, mm, where the file holds one.

    Raises
    ------
    TracerError
        Where the file cannot be read, or is neither.
    """
    arguments.within("The square's side", square_mm, OPTIONS["--square"])
    if isinstance(file, bytes):
        return examine_drawing(read_cutting_bytes(file, "the file"), square_mm=square_mm)
    if isinstance(file, Path | str):
        return examine_drawing(read_cutting_file(Path(file)), square_mm=square_mm)
    raise arguments.unusable("file", file, "a path, or the bytes of a file")


def _photo(photo: PhotoLike, number: int) -> Photo:
    if isinstance(photo, Photo):
        return photo
    if isinstance(photo, bytes):
        return decode_photo(photo, f"photo {number}")
    if isinstance(photo, Path | str):
        return read_photo(Path(photo))
    raise arguments.unusable("photos", photo, "paths, bytes of files, or photos")


def _rows(tools: Path | str | Sequence[ToolRow]) -> tuple[Sequence[ToolRow], str]:
    if isinstance(tools, Path | str):
        path = Path(tools)
        return parse_tool_list(read_list(path), path.name).rows, path.name
    rows = arguments.listed(tools, "tools")
    for row in rows:
        if not isinstance(row, ToolRow):
            raise arguments.unusable("tools", row, "the path of a list, or rows (ToolRow)")
    return rows, "the tool list"


def _plan_missing(path: Path) -> Callable[[str], TracerError]:
    return lambda why: TracerError(
        "panel-plan-missing",
        f"The plan {path} cannot be read: {why}.",
        "Check its name and folder.",
    )


def _content(traced: Trace | Sequence[Outline]) -> tuple[OutlinesFile, ToolList | None]:
    """Outlines and tool list as a job would hold them."""
    if isinstance(traced, Trace):
        lay_of, lay = {o.outline_id: 1 for o in traced.outlines}, traced.calibration
        content = OutlinesFile(traced.outlines, (kept_calibration(lay, {}),), (), lay_of)
        return content, ToolList(traced.rows)
    outlines = tuple(arguments.listed(traced, "outlines"))
    for outline in outlines:
        if not isinstance(outline, Outline):
            raise arguments.unusable("outlines", outline, "what trace() gave, or outlines")
    return OutlinesFile(outlines, lay_of={o.outline_id: 1 for o in outlines}), None


#: lengths of a cut with the range that the command line keeps
_CUT_RANGES = {
    "thickness_mm": ("The thickness", OPTIONS["--thickness"]),
    "depth_mm": ("The depth", OPTIONS["--depth"]),
    "fit_mm": ("The gap", OPTIONS["--fit-mm"]),
    "fit_probability": ("The fit probability", OPTIONS["--fit-probability"]),
    "loosest_mm": ("The limit of the gap", OPTIONS["--loosest"]),
    "edge_mm": ("The margin", OPTIONS["--margin"]),
}
_OF_PANELS = {"paper", "printer", "accepted", "dxf_version", "straight"}


def _cut_options(machine: Machine, options: Mapping[str, Any], *, of_panel: bool) -> CutOptions:
    known = set(CutOptions.__dataclass_fields__) - {"machine", "typed"}
    known = known & _OF_PANELS if of_panel else known
    for name in options:
        if name not in known:
            raise UsageError(
                "argument-unusable",
                f"There is no option {shown(name)} to cut {'a panel' if of_panel else 'a lay'}.",
                f"There are {', '.join(sorted(known))}.",
            )
    for name, (words, span) in _CUT_RANGES.items():
        arguments.within(words, options.get(name), span)
    if isinstance(options.get("fit"), str):
        try:
            options = {**options, "fit": FitClass(options["fit"])}
        except ValueError:
            raise arguments.unusable("fit", options["fit"], ", ".join(FitClass)) from None
    return CutOptions(machine=machine, **options)
