"""Colours of the layers: muted, told apart on a white ground, no two operations alike.

Where an importer goes by colour, two pockets of different depth must differ as well, so each
further depth of one operation gets a lighter shade.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tracer.model.drawing import Layer, Operation

__all__ = ["BASE_COLOURS", "RGB", "colour_table", "hex_colour"]

RGB = tuple[int, int, int]

BASE_COLOURS: dict[Operation, RGB] = {
    Operation.THROUGH: (22, 72, 99),
    Operation.POCKET: (0, 118, 110),
    Operation.WELL: (108, 64, 140),
    Operation.NOTCH: (176, 98, 20),
    Operation.INSERT: (196, 60, 88),
    Operation.INLAY: (128, 116, 0),
    Operation.BACK_CAVITY: (120, 74, 44),
    Operation.FIXING: (70, 70, 70),
    Operation.SHEET_EDGE: (150, 150, 150),
    Operation.LEAD: (230, 120, 60),
    Operation.TAB: (90, 160, 40),
    Operation.CORNER_LOOP: (200, 90, 200),
    Operation.LABEL: (60, 110, 170),
    Operation.OUTLINE: (40, 140, 70),
    Operation.CHECK_SQUARE: (190, 150, 170),
    Operation.CHECK_CIRCLE: (150, 170, 200),
}

#: share of the way to white per further depth, and the palest allowed
_SHADE, _PALEST = 0.16, 0.64


def colour_table(layers: Sequence[Layer], own: Mapping[str, RGB] | None = None) -> dict[str, RGB]:
    """Colour per layer name; ``own`` names layers or operations whose colour the shop has set."""
    own = own or {}
    rank: dict[Operation, int] = {}
    table: dict[str, RGB] = {}
    for layer in sorted(layers, key=lambda one: (one.operation, one.depth_mm or 0.0)):
        base = own.get(layer.operation.value, BASE_COLOURS[layer.operation])
        n = rank[layer.operation] = rank.get(layer.operation, -1) + 1
        share = min(_SHADE * n, _PALEST)
        r, g, b = (round(channel + (255 - channel) * share) for channel in base)
        table[layer.name] = own.get(layer.name, (r, g, b))
    return table


def hex_colour(colour: RGB) -> str:
    """``#rrggbb``."""
    return "#{:02x}{:02x}{:02x}".format(*colour)
