"""Values and bounds as sentences spell them: short, and in no programmer's words."""

from __future__ import annotations

import math
from collections.abc import Mapping

__all__ = ["plain", "shown"]


def plain(value: float) -> str:
    """A bound as people write it.

    Examples
    --------
    >>> plain(200000.0), plain(0.5)
    ('200000', '0.5')
    """
    return str(int(value)) if value == int(value) else f"{value:g}"


def shown(value: object) -> str:
    """A value as a sentence shows what was read: short, and in no programmer's words.

    Examples
    --------
    >>> shown(float("inf")), shown(True), shown(None), shown("wide"), shown([1, 2])
    ('infinity', 'true', 'nothing', "'wide'", 'a list of 2')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a number of many digits"
    if isinstance(value, float):
        if math.isnan(value):
            return "'nan'"
        if math.isinf(value):
            return "infinity" if value > 0 else "minus infinity"
        return f"{value:.6g}"
    if isinstance(value, str):
        line = " ".join("".join(c if c.isprintable() else " " for c in value[:400]).split())
        return f"'{line[:40]}...'" if len(line) > 40 else f"'{line}'"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, Mapping):
        return "a table"
    return "something else"
