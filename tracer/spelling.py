"""Values and bounds as sentences spell them: short, and in no programmer's words."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping

__all__ = ["one_line", "plain", "shown", "visible"]


def plain(value: float) -> str:
    """A bound as people write it.

    Examples
    --------
    >>> plain(200000.0), plain(0.5)
    ('200000', '0.5')
    """
    return str(int(value)) if value == int(value) else f"{value:g}"


def one_line(text: str) -> str:
    """A text that a person typed, as it is kept: composed letters, no control characters.

    Examples
    --------
    >>> one_line("\\x1b[31mspoke\\tkey\\x00 ")
    '[31mspoke key'
    """
    clean = "".join(" " if unicodedata.category(c) == "Cc" else c for c in text)
    return unicodedata.normalize("NFC", clean).strip()


def visible(text: str) -> str:
    """A text as a terminal may be shown it: control characters but line ends and tabs as '?'.

    Words from a file are quoted in sentences; an escape sequence among them would change what
    the terminal shows.

    Examples
    --------
    >>> visible("no tool \\x1b[31mred\\x00")
    'no tool ?[31mred?'
    """
    return "".join("?" if c not in "\n\t" and unicodedata.category(c) == "Cc" else c for c in text)


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
