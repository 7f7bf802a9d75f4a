"""Options that several commands share, each defined once.

========== ======================================= ===================================
option     meaning                                 commands
========== ======================================= ===================================
--json     one JSON object on stdout               all
--quiet    nothing but errors and failed checks    all
--replace  write over what is there                trace, cut, cards, coupon
========== ======================================= ===================================
"""

from __future__ import annotations

from typing import Annotated

import typer

from tracer.lengths import parse_length_mm, parse_size_mm

__all__ = ["Json", "Quiet", "Replace", "length", "size"]


def length(text: str) -> float:
    """Typer parser: a length in mm."""
    return parse_length_mm(text)


def size(text: str) -> tuple[float, float]:
    """Typer parser: two lengths in mm."""
    return parse_size_mm(text)


Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output.")]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="Say nothing but errors and failed checks.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over what is already there.")]
