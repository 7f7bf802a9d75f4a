"""A lay for any machine: one sheet cut to depths, or a stack of layers each cut through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from tracer.errors import UsageError
from tracer.export.machine.checks import material_named, refuse_forbidden
from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.panel.pocket.no_pocket import no_pocket_for
from tracer.panel.stock.layers import best_layers, layer_depths, sold_thicknesses
from tracer.progress import Progress
from tracer.workflows.cutting.cut import CutOptions, CutResult, Sheet, cut_lay, cut_sheets

__all__ = ["cut_any_lay"]


def cut_any_lay(
    outlines: Sequence[Outline],
    options: CutOptions,
    *,
    name: str,
    progress: Progress | None = None,
) -> list[CutResult]:
    """Cutting files of a lay, one result per sheet.

    Raises
    ------
    UsageError
        ``depth-not-said`` where a machine only cuts through and nobody said how deep, nor that
        right through is wanted; ``layers-impossible``.
    TracerError
        As `tracer.workflows.cutting.cut.cut_lay`.
    """
    refuse_forbidden(options.machine, material_named(options.material))
    if options.through:
        options = replace(options, depth_mm=None, depths_mm={})
    if options.machine.cuts_depth or options.through:
        return [cut_lay(outlines, options, name=name, progress=progress)]
    cut = [o for o in outlines if no_pocket_for(o) is None]
    depths = {
        o.outline_id: depth
        for o in cut
        if (depth := options.depths_mm.get(o.outline_id, options.depth_mm)) is not None
    }
    if not depths:
        raise UsageError(
            "depth-not-said",
            f"The {options.machine.title} only cuts right through, and it is not said how deep the"
            f" pockets are: {options.thickness_mm:g} mm deep they would be holes.",
            "Type a depth for all, such as 15, or a depth_mm in tools.csv, and the foam is built"
            " from layers; or arrange a panel first; or ask for holes cut right through.",
        )
    layers = _layers(options, list(depths.values()))
    snapped = dict(zip(depths, layer_depths(list(depths.values()), layers), strict=True))
    options = replace(options, depth_mm=None, depths_mm=snapped)
    edges = [sum(layers[:k]) for k in range(len(layers) + 1)]
    sheets = [
        Sheet(
            f"{name}, layer {k + 1} of {len(layers)} from the front, {layers[k]:g} mm",
            f"{name}-layer{k + 1}of{len(layers)}",
            edges[k],
            edges[k + 1],
        )
        for k in range(len(layers))
    ]
    noted = _noted(cut, depths, snapped, layers)
    return cut_sheets(outlines, options, sheets, name=name, noted=noted, progress=progress)


def _layers(options: CutOptions, depths: Sequence[float]) -> tuple[float, ...]:
    deepest = max(depths)
    if deepest >= options.thickness_mm:
        raise UsageError(
            "layers-impossible",
            f"A pocket {deepest:g} mm deep leaves no floor in foam of {options.thickness_mm:g} mm.",
            "Type the thickness of the whole stack, or a smaller depth.",
        )
    sizes = options.layers_mm or sold_thicknesses(options.machine.max_depth_mm)
    layers = best_layers(options.thickness_mm, sizes, depths)
    if len(layers) < 2:
        listed = ", ".join(f"{mm:g}" for mm in sizes)
        raise UsageError(
            "layers-impossible",
            f"No layers of {listed} mm add up to {options.thickness_mm:g} mm with a joint below"
            " every pocket.",
            "Say what thicknesses you have, such as 5,10,15, or another thickness of the stack.",
        )
    return layers


def _noted(
    cut: Sequence[Outline],
    depths: dict[str, float],
    snapped: dict[str, float],
    layers: Sequence[float],
) -> list[Check]:
    stack = " + ".join(f"{mm:g}" for mm in layers)
    found = [
        Check(
            "face-in-layers",
            Severity.NOTE,
            f"The foam is built from {len(layers)} layers, from front to back {stack} mm, since"
            " the machine only cuts right through.",
            "Say what thicknesses you have, or ask for holes cut right through.",
        )
    ]
    found += [
        Check(
            "depth-by-layer",
            Severity.NOTE,
            f"{o.name} becomes {snapped[o.outline_id]:g} mm deep instead of"
            f" {depths[o.outline_id]:g} mm: depths are made of whole layers.",
            "Thinner layers come closer.",
            subject_id=o.outline_id,
            value=snapped[o.outline_id],
            limit=depths[o.outline_id],
            unit="mm",
        )
        for o in cut
        if o.outline_id in depths and snapped[o.outline_id] > depths[o.outline_id] + 1e-6
    ]
    return found
