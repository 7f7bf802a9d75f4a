"""All files of one sheet side: written to bytes, read back, compared, or not given at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracer.export.dxf.write import DxfOptions
from tracer.export.machine.figures import CutFigures, cut_figures
from tracer.export.paper.preview import preview_png
from tracer.export.paper.template import PrinterScale, template_pdf
from tracer.export.paper.verify_template import verify_template
from tracer.export.verify import verified_dxf, verified_svg
from tracer.model.drawing import Drawing, KerfNote, Operation
from tracer.model.machine import Machine
from tracer.model.report import Check, Severity

__all__ = ["CHECKS_FAILED", "SheetFiles", "failed_checks", "failed_text", "sheet_files"]

#: behind the title of every drawing that should not be cut as it is
CHECKS_FAILED = " - CHECKS FAILED, do not cut"

#: what the template shows besides the cut lines
_SHOWN = {Operation.OUTLINE, Operation.LABEL}


@dataclass(frozen=True, eq=False)
class SheetFiles:
    """Bytes by file name, and the figures of the cut."""

    files: dict[str, bytes]
    figures: CutFigures


def sheet_files(
    name: str,
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
) -> SheetFiles:
    """DXF, SVG, reference DXF, preview and paper template of one side of one sheet.

    Parameters
    ----------
    name
        File name without ending.
    walls
        The drawing without kerf compensation, for the template that is cut by hand; the cut
        drawing itself where nothing is compensated.

    Raises
    ------
    TracerError
        When a file read back differs from its drawing.
    """
    colours = dict(machine.colours)
    by_hand = walls or cut
    shown = tuple(p for p in reference.paths if p.layer.operation in _SHOWN)
    paper_drawing = replace(by_hand, paths=by_hand.paths + shown, kerf=KerfNote())
    template = template_pdf(paper_drawing, paper=paper, printer=printer, words=cautions)
    verify_template(template, paper_drawing)
    size = f"{cut.size_mm[0]:.0f}x{cut.size_mm[1]:.0f}"
    files = {
        f"{name}-{size}.dxf": verified_dxf(cut, dxf),
        f"{name}-{size}.svg": verified_svg(cut, colours),
        f"{name}-{size}-reference.dxf": verified_dxf(reference, dxf),
        f"{name}-preview.png": preview_png(cut, reference=reference, colours=colours),
        f"{name}-template-{template.grid.paper}.pdf": template.data,
    }
    return SheetFiles(files, cut_figures(cut, machine, thickness_mm))


def failed_checks(checks: Sequence[Check], accepted: Sequence[str]) -> list[Check]:
    """Checks that failed and were not accepted by name."""
    return [c for c in checks if c.severity is Severity.FAIL and c.slug not in accepted]


def failed_text(failing: Sequence[Check]) -> bytes:
    """A text that lies beside the files of a cut whose checks failed."""
    lines = ["These checks failed. Do not cut before they are mended or accepted.", ""]
    lines += [f"- {c.sentence} {c.remedy} [{c.slug}]" for c in failing]
    return ("\n".join(lines) + "\n").encode("utf-8")
