"""Foam colours to choose from on the page, and how well each pair is told apart."""

from __future__ import annotations

from functools import cache
from typing import Any

from tracer.model.panel import BayKind
from tracer.panel.build import DEFAULT_PLIES
from tracer.panel.checks.contrast import contrast
from tracer.panel.rules import rules_for

__all__ = ["foam_choices"]

#: colours that dealers of cross-linked foam have: common practice, no source; a sheet on the bench
#: may differ, and its colour is typed into the plan
COLOURS: dict[str, tuple[int, int, int]] = {
    "dark grey": (55, 55, 58),
    "black": (25, 25, 26),
    "yellow": (240, 210, 20),
    "white": (240, 240, 236),
    "orange": (236, 122, 30),
    "red": (190, 32, 40),
    "blue": (30, 84, 160),
    "green": (40, 120, 70),
    "light grey": (170, 172, 174),
}


@cache
def foam_choices() -> dict[str, Any]:
    """Colours, the contrast of each pair, and what is wanted of it."""
    rules = rules_for(BayKind.DRAWER, DEFAULT_PLIES, {})
    return {
        "colours": [{"colour": name, "rgb": rgb} for name, rgb in COLOURS.items()],
        "contrast": {
            face: {base: _pair(a, b) for base, b in COLOURS.items()} for face, a in COLOURS.items()
        },
        "wanted": {"ratio": rules.contrast_ratio, "lrv_points": rules.lrv_points},
    }


def _pair(first: tuple[int, int, int], second: tuple[int, int, int]) -> dict[str, float]:
    found = contrast(first, second)
    return {
        "ratio": round(found.ratio, 2),
        "lrv_points": round(found.lrv_points, 1),
        "dull": round(found.delta_e_deuteranope, 1),
    }
