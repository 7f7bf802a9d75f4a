"""Colours of the pictures, RGB. Muted tints on a dark halo: readable on any ground."""

from __future__ import annotations

__all__ = [
    "AMBER",
    "CARD",
    "HALO",
    "INK",
    "LEFT_OUT",
    "MIST",
    "PAPER",
    "RULE",
    "TINTS",
    "Colour",
    "tint",
]

Colour = tuple[int, int, int]

HALO: Colour = (22, 26, 30)  # under every line and letter
PAPER: Colour = (246, 244, 239)  # footer, labels
INK: Colour = (38, 43, 48)
MIST: Colour = (206, 211, 214)  # seen edges, secondary text on dark
RULE: Colour = (128, 136, 142)
CARD: Colour = (150, 178, 196)
AMBER: Colour = (240, 168, 62)  # something to look at
LEFT_OUT: Colour = (214, 92, 76)

#: neighbours in reading order get tints far apart in hue
TINTS: tuple[Colour, ...] = (
    (124, 204, 192),
    (240, 208, 130),
    (150, 186, 236),
    (236, 160, 148),
    (176, 208, 132),
    (202, 172, 226),
)


def tint(index: int) -> Colour:
    """Tint of the index-th tool, repeating."""
    return TINTS[index % len(TINTS)]
