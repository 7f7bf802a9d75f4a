"""Everything that is written for one patch: cutting files, template, half a page, picture."""

from __future__ import annotations

from shapely.geometry import MultiPolygon

from tracer.export.swap_files import PatchCut, patch_steps, steps_pdf, swap_files
from tracer.geometry.rings import polygons_in
from tracer.model.drawing import Layer, Operation
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.swap import AreaChange
from tracer.panel.swap.old_pocket import SPECK_MM2, Remedy
from tracer.pictures.swap import swap_png
from tracer.workflows.swapping.pocket_change import PocketChange

__all__ = ["swap_documents"]


def swap_documents(
    subject: Outline,
    moved: PocketChange,
    change: AreaChange,
    rule: str,
    revision: int,
    machine: Machine,
    reason: str,
) -> dict[str, bytes]:
    """Cutting files, template, page and picture of one patch."""
    patch = moved.patch
    lines = [
        f"outline: {change.added_mm2:.0f} mm2 added, {change.removed_mm2:.0f} mm2 taken away"
        + (f", largest distance {change.largest_mm:.1f} mm" if change.largest_mm >= 0 else ""),
        f"patch: {patch.remedy.value}; new foam {sum(p.area for p in patch.pieces):.0f} mm2",
    ]
    if rule:
        lines.append(f"laid into place by: {rule}")
    if reason:
        lines.append(f"reason: {reason}")
    insert = moved.insert
    sheet_of_insert = (
        f"{insert.stock.colour} sheet, {insert.stock.thickness_mm:g} mm thick" if (insert) else ""
    )
    steps = patch_steps(
        patch.remedy.value,
        subject.name,
        len(patch.pieces),
        _foam(moved),
        sheet_of_insert,
        comes_new=moved.old.is_empty,
        goes=moved.new.is_empty,
    )
    title = f"{subject.outline_id} {subject.name}, revision {revision}"
    if patch.remedy is not Remedy.NOTHING:
        lines += moved.sheet.sentences()
    files = {
        "steps.pdf": steps_pdf(title, lines, steps),
        "before-after.png": swap_png(moved.old, moved.new, moved.neighbours, title, lines[:2]),
    }
    if patch.remedy is not Remedy.NOTHING:
        files |= swap_files(
            subject.outline_id,
            sheet=moved.sheet,
            opening=None
            if patch.opening.is_empty
            else PatchCut(_layer(moved.old_depth_mm), patch.opening),
            pieces=patch.pieces,
            pocket=_recut(moved),
            insert=None if insert is None else (sheet_of_insert, insert.region),
            old=moved.old,
            neighbours=moved.neighbours,
            machine=machine,
            words=steps,
        )
    return files


def _layer(depth_mm: float | None) -> Layer:
    return Layer(Operation.THROUGH) if depth_mm is None else Layer(Operation.POCKET, depth_mm)


def _foam(moved: PocketChange) -> str:
    """What plug and strips are cut from: as thick as the old pocket is deep."""
    if moved.old_depth_mm is not None:
        return (
            f"foam of the face's colour, {moved.old_depth_mm:g} mm thick: as deep as the old pocket"
        )
    thick = "" if moved.foam_mm is None else f", {moved.foam_mm:g} mm thick"
    return f"foam of the face's colour and thickness{thick}: the old pocket goes right through"


def _recut(moved: PocketChange) -> list[PatchCut]:
    """What is cut anew, each part to its own depth."""
    found = []
    for layer, region in moved.parts:
        part = region.intersection(moved.patch.recut)
        kept = [p for p in polygons_in(part) if p.area >= SPECK_MM2]
        if kept:
            found.append(PatchCut(layer, MultiPolygon(kept)))
    return found
