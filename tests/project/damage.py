"""Damage to files of values: every value in turn becomes something that it cannot be."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from typing import Any

#: what a value is replaced by
HOSTILE: tuple[Any, ...] = (None, "x", -1, 1e300, 10**30, True, [], {}, [[1, 2]], "x" * 400)
#: words that no maker should meet; quoted text is what the file itself holds
PROGRAMMERS = re.compile(
    r"NoneType|Error\b|expected|\bstr\b|\bdict\b|\btuple\b|\bfloat\b|\bint\b|\binput\b"
    r"|pydantic|shapely|GEOS|numpy|\bvalid (string|number|integer)|field required"
    r"|[a-z]\.\d+\.|\bnan\b"
)


def without_quotes(sentence: str) -> str:
    return re.sub(r"'[^']*'", "", sentence)


def paths_in(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Place of every value; of long lists only the first two and the last entry."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths_in(item, (*path, key))
    elif isinstance(value, list):
        for index in sorted({0, 1, len(value) - 1} & set(range(len(value)))):
            yield from paths_in(value[index], (*path, index))


def damaged(body: Any, each: int = 4) -> Iterator[tuple[str, bytes]]:
    """The file with one value replaced, or one left out, each with its name.

    Each place meets so many of the replacements, in turn; places of one kind are many.
    """
    replacements = (*HOSTILE, ...)
    for turn, path in enumerate(paths_in(body)):
        for number in range(each):
            hostile = replacements[(each * turn + number) % len(replacements)]
            whole = copy.deepcopy(body)
            holder = whole
            for part in path[:-1]:
                holder = holder[part]
            if hostile is ...:
                del holder[path[-1]]
            else:
                holder[path[-1]] = hostile
            yield f"{path} {number}", json.dumps(whole).encode()


def broken_bytes(data: bytes) -> Iterator[bytes]:
    """Files that are no JSON at all, or numbers that are none."""
    yield from (b"", b"\0" * 100, b"[" * 200_000, b'{"a":' * 100_000, b"\xff\xfe{}", b"null", b"[]")
    yield from (data[: len(data) // 2], data + b"}", data.replace(b"1", b"Infinity"))
    yield from (data.replace(b"1", b"NaN"), data.replace(b"1", b"1e999"))
    yield data.replace(b"1", b"9" * 5000)
