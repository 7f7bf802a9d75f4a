"""All recipes for things on a sheet, in two lists."""

from __future__ import annotations

from tracer.learning.scenes.blades import blade
from tracer.learning.scenes.bulky_tools import BULKY_TOOLS
from tracer.learning.scenes.hand_tools import (
    Recipe,
    adjustable,
    hammer,
    hex_key,
    pliers,
    ratchet,
    scissors,
    screwdriver,
    socket,
    spanner,
)
from tracer.learning.scenes.open_shapes import ring_spanner

__all__ = ["BULKY_TOOLS", "HAND_TOOLS"]

HAND_TOOLS: list[Recipe] = [
    screwdriver,
    spanner,
    adjustable,
    pliers,
    scissors,
    hammer,
    socket,
    ratchet,
    hex_key,
    blade,
    ring_spanner,
]
