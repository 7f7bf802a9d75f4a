"""Everything that is written for one patch: cutting files, template, half a page, picture."""

from __future__ import annotations

from tracer.export.swap_files import patch_steps, steps_pdf, swap_files
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.swap import AreaChange
from tracer.panel.swap.old_pocket import Remedy
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
    steps = patch_steps(patch.remedy.value, subject.name, len(patch.pieces))
    title = f"{subject.outline_id} {subject.name}, revision {revision}"
    files = {
        "steps.pdf": steps_pdf(title, lines, steps),
        "before-after.png": swap_png(moved.old, moved.new, moved.neighbours, title, lines),
    }
    if patch.remedy is not Remedy.NOTHING:
        files |= swap_files(
            subject.outline_id,
            opening=patch.opening,
            pieces=patch.pieces,
            recut=patch.recut,
            old=moved.old,
            neighbours=moved.neighbours,
            depth_mm=moved.depth_mm,
            machine=machine,
            words=steps,
        )
    return files
