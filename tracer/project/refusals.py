"""Why a file's content is refused, in a maker's words: where, what was read, what is allowed.

Content is held against its type first and against the table of ranges then; both end in a
`Wrong`. The wording of the library that checks types is translated here and nowhere else.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from tracer.ranges import COUNTS, LONGEST_TEXT, Range, shown

__all__ = ["Wrong", "checked", "place_words", "within_ranges"]

#: fields that are only written back as they were or shown, and shapes, which have a check of their
#: own (`tracer.geometry.sound`)
FREE = frozenset(
    {"changes", "unusable", "was", "now", "sentence", "remedy", "reason"}
    | {"exterior", "holes", "outer", "inner", "hull", "outline", "region", "exit", "shape"}
)
MOST_ENTRIES = int(COUNTS["entries of one list in a plan"].high)


class Wrong(ValueError):
    """One thing that is not right: its place in the file, and a sentence without its stop."""

    def __init__(self, place: str, why: str) -> None:
        super().__init__(place, why)
        self.place = place
        self.why = why

    def __str__(self) -> str:
        return f"{self.place}: {self.why}" if self.place else self.why


def place_words(path: Sequence[str | int]) -> str:
    """A place as people count: entries from 1.

    Examples
    --------
    >>> place_words(("tools", 2, "wells", 0, "x_mm"))
    'tools 3, wells 1, x_mm'
    >>> place_words(("bay", "width_mm"))
    'bay, width_mm'
    """
    words: list[str] = []
    for part in path:
        if isinstance(part, int) and words:
            words[-1] += f" {part + 1}"
        elif isinstance(part, int):
            words.append(f"entry {part + 1}")
        else:
            words.append(part if len(part) <= 60 else f"{part[:60]}...")
    return ", ".join(words)


def checked(
    adapter: TypeAdapter[Any],
    value: Any,
    *,
    names: Mapping[type, str],
    spans: Mapping[str, Range],
    longest: int = MOST_ENTRIES,
) -> Any:
    """A value of the adapter's type, every number within its range.

    Parameters
    ----------
    names
        Prefix of each type's fields in ``spans``; an empty one stands for the field's bare name.
    longest
        How many entries a list may have.

    Raises
    ------
    Wrong
        The first thing that is not right.
    """
    try:
        found = adapter.validate_python(value)
    except ValidationError as error:
        raise _wrong(error, names, spans) from None
    except RecursionError:
        raise Wrong("", "it is nested too deep") from None
    for wrong in within_ranges(found, names, spans, longest):
        raise wrong
    return found


def within_ranges(
    value: Any,
    names: Mapping[type, str],
    spans: Mapping[str, Range],
    longest: int = MOST_ENTRIES,
) -> Iterator[Wrong]:
    """Whatever lies outside its range, in the file's order."""
    yield from _outside(value, (), "", names, spans, longest)


def _outside(
    value: Any,
    path: tuple[str | int, ...],
    key: str,
    names: Mapping[type, str],
    spans: Mapping[str, Range],
    longest: int,
) -> Iterator[Wrong]:
    if value is None or isinstance(value, bool | Enum):
        return
    if isinstance(value, int | float):
        span = spans.get(key)  # every number of the types has one: a test sees to it
        if span is not None and value not in span:
            yield Wrong(place_words(path), f"{shown(value)} was read, it takes {span.words}")
    elif isinstance(value, str):
        if len(value) > LONGEST_TEXT:
            yield Wrong(
                place_words(path), f"a text of {len(value)} letters; at most {LONGEST_TEXT} fit"
            )
    elif is_dataclass(value):
        # a type that is not named keeps the key of what holds it
        prefix = names.get(type(value))
        for field in fields(value):
            if field.name in FREE:
                continue
            inner = key if prefix is None else f"{prefix}.{field.name}".lstrip(".")
            yield from _outside(
                getattr(value, field.name), (*path, field.name), inner, names, spans, longest
            )
    elif isinstance(value, Mapping):
        if len(value) > longest:
            yield Wrong(place_words(path), f"{len(value)} entries; at most {longest} are read")
            return
        for name, item in value.items():
            own = f"{key}.{name}" if f"{key}.{name}" in spans else key
            yield from _outside(item, (*path, str(name)), own, names, spans, longest)
    elif isinstance(value, list | tuple):
        if len(value) > longest:
            yield Wrong(place_words(path), f"{len(value)} entries; at most {longest} are read")
            return
        for number, item in enumerate(value):
            yield from _outside(item, (*path, number), key, names, spans, longest)


def _wrong(error: ValidationError, names: Mapping[type, str], spans: Mapping[str, Range]) -> Wrong:
    """The first error of a validation in our words."""
    first = error.errors(include_url=False)[0]
    path = tuple(first["loc"])
    kind = first["type"]
    key = str(path[-1]) if path else ""
    if kind in ("unexpected_keyword_argument", "extra_forbidden"):
        near = difflib.get_close_matches(key, _all_names(names), 1)
        hint = f"; did you mean {near[0]}" if near else ""
        return Wrong(place_words(path[:-1]), f"there is no key {shown(key)}{hint}")
    if kind in ("missing", "missing_argument", "missing_keyword_only_argument"):
        if path and isinstance(path[-1], int):
            return Wrong(place_words(path[:-1]), f"it needs more than {path[-1]} entries")
        return Wrong(place_words(path[:-1]), f"the key {key} is missing")
    span = _span_of(path, spans)
    return Wrong(
        place_words(path), f"{shown(first.get('input'))} was read, it takes {_allowed(first, span)}"
    )


def _span_of(path: Sequence[str | int], spans: Mapping[str, Range]) -> Range | None:
    """The range of the key at a path, by its last names."""
    words = [part for part in path if isinstance(part, str)]
    for tail in (words[-2:], words[-1:]):
        if ".".join(tail) in spans:
            return spans[".".join(tail)]
    last = words[-1] if words else ""
    same = {k: v for k, v in spans.items() if k.rpartition(".")[2] == last}
    return next(iter(same.values())) if len(same) == 1 else None


#: kinds of error, by the beginning of the library's name for them -> what would do
_ALLOWED = (
    (("float_", "finite_number", "decimal_"), "a number"),
    (("int_",), "a whole number"),
    (("bool_",), "true or false"),
    (("string_", "str"), "a text"),
    (("tuple_", "list_", "set_", "too_"), "a list"),
    (("dict_", "dataclass_", "model_", "mapping_"), "a table of keys"),
    (("none_required",), "nothing"),
)


def _allowed(error: ErrorDetails, span: Range | None) -> str:
    kind, context = error["type"], error.get("ctx", {})
    if kind in ("enum", "literal_error"):
        return f"one of {_listed(str(context.get('expected', '')))}"
    if kind == "too_long":
        return f"a list of {context.get('max_length', 'fewer')}"
    if kind == "too_short":
        return f"a list of {context.get('min_length', 'more')} or more"
    for beginnings, words in _ALLOWED:
        if kind.startswith(beginnings):
            return span.words if span is not None and "number" in words else words
    return "another kind of value"


def _listed(expected: str) -> str:
    return ", ".join(re.findall(r"'([^']*)'", expected)) or "a few names"


def _all_names(types: Mapping[type, str]) -> list[str]:
    return sorted({f.name for kind in types if is_dataclass(kind) for f in fields(kind)})
