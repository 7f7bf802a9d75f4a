"""Files that enter: read whole within a stated size, and parsed into plain values.

The parsers of libraries speak of characters and stacks, and some stop at nothing. Here a file's
kind and size are looked at before it is read, its nesting before it is parsed, and every numeral
before it becomes a number. What is wrong comes back as a sentence in the words of the reader
that called (`Refuse`); what is right is plain values, which the caller holds against its model.
"""

from __future__ import annotations

import json
import re
import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tracer.errors import TracerError
from tracer.ranges import shown

__all__ = ["Refuse", "parse_json", "parse_toml", "read_file", "text_of"]

#: makes the error of the calling reader from what is wrong ("it is a folder")
Refuse = Callable[[str], TracerError]

#: lists and tables within one another: no file of ours or of a person's hand needs more
DEEPEST = 40
_TOO_DEEP = f"it nests brackets more than {DEEPEST} deep"
#: digits of a numeral; 17 name any number that a computer keeps
_MOST_DIGITS = 40


def read_file(path: Path, most_bytes: int, refuse: Refuse) -> bytes:
    """Bytes of a file that a person named.

    Raises
    ------
    TracerError
        As ``refuse`` makes it: not there, not a file (a folder, a pipe, a device), too large.
    """
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise refuse("it is a folder")
        if not stat.S_ISREG(found.st_mode):
            raise refuse("it is not a file")
        if found.st_size > most_bytes:
            raise refuse(_too_large(found.st_size, most_bytes))
        with path.open("rb") as stream:
            data = stream.read(most_bytes + 1)
    except FileNotFoundError:
        raise refuse("there is no such file") from None
    except PermissionError:
        raise refuse("you may not read it") from None
    except (OSError, ValueError) as error:  # ValueError: a name that no system takes
        why = error.strerror if isinstance(error, OSError) else None
        raise refuse((why or "its name cannot be used").lower()) from None
    if len(data) > most_bytes:  # it grew, or the system told no size
        raise refuse(_too_large(len(data), most_bytes))
    return data


def _too_large(size: int, most: int) -> str:
    return f"it has {size / 1e6:.1f} MB, and at most {most / 1e6:g} MB are read"


def text_of(data: bytes, refuse: Refuse) -> str:
    """UTF-8 text, with or without the byte order mark."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise refuse(f"line {line} is not UTF-8 text (byte {error.start + 1})") from None


def parse_json(data: bytes, refuse: Refuse, most_bytes: int) -> Any:
    """JSON as plain values: no infinities, no endless numerals, nested `DEEPEST` deep at most."""
    if len(data) > most_bytes:
        raise refuse(_too_large(len(data), most_bytes))
    text = text_of(data, refuse)

    def number(numeral: str) -> float:
        value = float(numeral)
        if value - value != 0.0:
            raise _BadNumber(numeral)
        return value

    def whole(numeral: str) -> int:
        if len(numeral) > _MOST_DIGITS:
            raise _BadNumber(numeral)
        return int(numeral)

    def constant(name: str) -> float:
        raise _BadNumber(name)

    try:
        value = json.loads(text, parse_float=number, parse_int=whole, parse_constant=constant)
    except _BadNumber as error:
        raise refuse(f"it holds the number {shown(str(error))}, which is none") from None
    except json.JSONDecodeError as error:
        raise refuse(f"it breaks off or is damaged in line {error.lineno}") from None
    except RecursionError:
        raise refuse(_TOO_DEEP) from None
    except ValueError:
        raise refuse("it is damaged") from None
    if _deeper_than(value, DEEPEST):
        raise refuse(_TOO_DEEP)
    if half := _half_letter(text):
        raise refuse(f"it holds {half}, one half of a letter, which no text can keep")
    return value


#: a letter beyond the first 65 536 is written as two escapes, high half and low half
_HALVES = re.compile(
    r"\\\\|(?:\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2})"
    r"|(?P<half>\\u[dD][89a-fA-F][0-9a-fA-F]{2})"
)


def _half_letter(text: str) -> str:
    """The first escape of half a letter in JSON text; empty where there is none.

    Examples
    --------
    >>> _half_letter(r'["\\ud83d\\ude00", "\\\\ud800"]'), _half_letter(r'["a\\ud800"]')
    ('', '\\\\ud800')
    """
    found = (match["half"] for match in _HALVES.finditer(text) if match["half"])
    return next(found, "")


class _BadNumber(Exception):
    """A numeral that no number can be made of."""


def _deeper_than(value: Any, levels: int) -> bool:
    """Whether lists and tables are nested deeper than this.

    Examples
    --------
    >>> _deeper_than({"a": [[1], "[[[["]}, 2), _deeper_than({"a": [[1], "[[[["]}, 3)
    (True, False)
    """
    held = [value] if isinstance(value, list | dict) else []
    while held and levels:
        parts = (part.values() if isinstance(part, dict) else part for part in held)
        held = [item for part in parts for item in part if isinstance(item, list | dict)]
        levels -= 1
    return bool(held)


def parse_toml(data: bytes, refuse: Refuse, most_bytes: int) -> dict[str, Any]:
    """TOML as plain values, nested `DEEPEST` deep at most.

    Infinities are numbers of TOML: they are left to the ranges of the keys that hold them.
    """
    if len(data) > most_bytes:
        raise refuse(_too_large(len(data), most_bytes))
    text = text_of(data, refuse)
    for number, line in enumerate(text.splitlines(), start=1):
        # long keys of many parts cost the parser more than their length
        if line.count(".") > 400 and line.count(".") > line.count(",") * 2 + 400:
            raise refuse(f"line {number} has too many points")
    if re.search(rf"\d{{{_MOST_DIGITS + 1}}}", text.replace("_", "")):
        raise refuse("it holds a number of too many digits")
    try:
        value = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"it is not TOML: {_place(str(error))}") from None
    except (ValueError, OverflowError):
        raise refuse("it holds a number or date that is none") from None
    except RecursionError:
        raise refuse(_TOO_DEEP) from None
    if _deeper_than(value, DEEPEST):
        raise refuse(_TOO_DEEP)
    return value


def _place(told: str) -> str:
    """The place in the parser's word: the rest is about the grammar.

    Examples
    --------
    >>> _place("Expected '=' after a key in a key/value pair (at line 3, column 7)")
    'line 3, column 7, cannot be understood'
    """
    found = re.search(r"\(at (line \d+, column \d+)\)$", told)
    return f"{found[1]}, cannot be understood" if found else "it breaks off at its end"
