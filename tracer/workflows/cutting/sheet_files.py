"""All files of one sheet side: written to bytes, read back, compared, or not given at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from shapely.geometry import Polygon

from tracer.export.drawing.aids import with_aids
from tracer.export.dxf.write import DxfOptions, dxf_bytes
from tracer.export.machine.figures import CutFigures, cut_figures
from tracer.export.paper.guide import Guide
from tracer.export.paper.preview import preview_png
from tracer.export.paper.template import PrinterScale, template_pdf
from tracer.export.paper.verify_template import verify_template
from tracer.export.verify import verified_dxf, verified_svg, verify_dxf
from tracer.export.wall_error import WallError, wall_error
from tracer.model.drawing import Drawing, KerfNote, Operation
from tracer.model.machine import Machine
from tracer.model.reading import EdgeMark
from tracer.model.report import Check, Severity

__all__ = [
    "CHECKS_FAILED",
    "SheetFiles",
    "failed_checks",
    "failed_text",
    "sheet_files",
    "stock_folder",
]

#: behind the title of every drawing that should not be cut as it is
CHECKS_FAILED = " - CHECKS FAILED, do not cut"

#: what the template shows besides the cut lines
_SHOWN = {Operation.OUTLINE, Operation.LABEL}


@dataclass(frozen=True, eq=False)
class SheetFiles:
    """Bytes by file name, the figures of the cut, and how its walls stand, read from the file."""

    files: dict[str, bytes]
    figures: CutFigures
    walls: WallError | None = None


def sheet_files(
    name: str,
    folder: str,
    cut: Drawing,
    reference: Drawing,
    *,
    machine: Machine,
    thickness_mm: float,
    dxf: DxfOptions,
    walls: Drawing | None = None,
    paper: str = "a4",
    printer: PrinterScale | None = None,
    cautions: Sequence[str] = (),
    by_hand: bool = False,
    wanted: Mapping[str, Polygon] | None = None,
    names: Mapping[str, str] | None = None,
    inserts: Mapping[str, str] | None = None,
    marks: Sequence[EdgeMark] = (),
) -> SheetFiles:
    """DXF, SVG, reference DXF, preview and paper template of one side of one sheet.

    Parameters
    ----------
    name
        Piece and layer, the head of every file's name.
    folder
        Where the files go, relative to the machine's folder; empty: beside everything else.
    walls
        The drawing without kerf compensation, for the template that is cut by hand; the cut
        drawing itself where nothing is compensated.
    by_hand
        A board that is sawn and drilled: no file is made for the foam machine, only a plan.
    wanted
        Walls asked for by pocket, in the frame of the drawing's origin: the file's are held
        against them.
    names, inserts
        Of pockets, for the template: what they are called, and the contrast piece of their floor.
    marks
        Lettered places on the walls, for the template, in the frame of the drawing's origin.

    Raises
    ------
    TracerError
        When a file read back differs from its drawing.
    """
    colours = dict(machine.colours)
    by_hand_drawing = walls or cut
    shown = tuple(p for p in reference.paths if p.layer.operation in _SHOWN)
    paper_drawing = replace(by_hand_drawing, paths=by_hand_drawing.paths + shown, kerf=KerfNote())
    by_name = Guide(names or {}, inserts or {}, machine.peel_mm, thickness_mm)
    x0, y0 = paper_drawing.origin_mm
    template = template_pdf(
        paper_drawing,
        paper=paper,
        printer=printer,
        words=cautions,
        guide=by_name,
        marks=[replace(m, x_mm=m.x_mm - x0, y_mm=m.y_mm - y0) for m in marks],
    )
    verify_template(template, paper_drawing)
    stem = f"{folder}/" if folder else ""
    stem += f"{name}-{thickness_mm:g}mm-{cut.size_mm[0]:.0f}x{cut.size_mm[1]:.0f}"
    found: WallError | None = None
    if by_hand:
        plan = replace(by_hand_drawing, kerf=KerfNote())
        files = {f"{stem}-saw-and-drill.dxf": verified_dxf(plan, dxf)}
    else:
        aided = with_aids(cut, machine)
        data = dxf_bytes(aided, dxf)
        found = wall_error(aided, verify_dxf(data, aided, dxf).found, wanted or {})
        files = {
            f"{stem}.dxf": data,
            f"{stem}.svg": verified_svg(cut, colours),
            f"{stem}-reference.dxf": verified_dxf(reference, dxf),
        }
    files |= {
        f"{stem}-picture.png": preview_png(cut, reference=reference, colours=colours),
        f"{stem}-template-{template.grid.paper}.pdf": template.data,
    }
    return SheetFiles(files, cut_figures(cut, machine, thickness_mm), found)


def stock_folder(material: str, thickness_mm: float) -> str:
    """Folder of the sheets of one stock on one machine.

    Examples
    --------
    >>> stock_folder("pe", 30.0)
    'pe-30mm'
    """
    return f"{material}-{thickness_mm:g}mm"


def failed_checks(checks: Sequence[Check], accepted: Sequence[str]) -> list[Check]:
    """Checks that failed and were not accepted by name."""
    return [c for c in checks if c.severity is Severity.FAIL and c.slug not in accepted]


def failed_text(failing: Sequence[Check]) -> bytes:
    """A text that lies beside the files of a cut whose checks failed."""
    lines = ["These checks failed. Do not cut before they are mended or accepted.", ""]
    lines += [f"- {c.sentence} {c.remedy} [{c.slug}]" for c in failing]
    return ("\n".join(lines) + "\n").encode("utf-8")
