"""Results of costly pure functions remembered by the content of what they were given.

A wall or the room of a pocket is asked for again and again with equal shapes: for every copy of a
tool, every layout tried, every panel a set is spread over, and again when the panel is cut.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from functools import wraps
from threading import Lock
from typing import Any, ParamSpec, TypeVar

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

__all__ = ["digest", "remembered"]

P = ParamSpec("P")
T = TypeVar("T")


def digest(*values: object) -> bytes:
    """SHA-256 of values by content: shapes, arrays, dataclasses, mappings and plain values.

    Examples
    --------
    >>> digest(np.zeros(2), 1.0) == digest(np.zeros(2), 1.0), digest(1.0) == digest(1)
    (True, False)
    """
    found = hashlib.sha256()
    for value in values:
        _add(found, value)
    return found.digest()


def _add(found: Any, value: object) -> None:
    # every part begins with its kind and length, so that no two values run into one
    if isinstance(value, BaseGeometry):
        data = shapely.to_wkb(value)
        found.update(b"g%d:" % len(data) + data)
    elif isinstance(value, np.ndarray):
        head = f"a{value.dtype.str}{value.shape}:".encode()
        found.update(head + np.ascontiguousarray(value).tobytes())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        found.update(f"d{type(value).__qualname__}{len(fields)}:".encode())
        for one in fields:
            _add(found, getattr(value, one.name))
    elif isinstance(value, Mapping):
        found.update(b"m%d:" % len(value))
        for key in sorted(value, key=repr):
            _add(found, key)
            _add(found, value[key])
    elif isinstance(value, (tuple, list)):
        found.update(b"t%d:" % len(value))
        for one in value:
            _add(found, one)
    else:
        text = repr(value).encode()
        found.update(f"v{type(value).__qualname__}{len(text)}:".encode() + text)


def remembered(most: int) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Remember the latest results of a pure function, up to ``most`` of them.

    Results are handed out as they are: they must not be changed. Safe with several threads; two
    that ask for the same missing result may both make it.
    """

    def around(function: Callable[P, T]) -> Callable[P, T]:
        kept: OrderedDict[bytes, T] = OrderedDict()
        lock = Lock()

        @wraps(function)
        def ask(*args: P.args, **kwargs: P.kwargs) -> T:
            key = digest(args, kwargs)
            with lock:
                if key in kept:
                    kept.move_to_end(key)
                    return kept[key]
            value = function(*args, **kwargs)
            with lock:
                kept[key] = value
                while len(kept) > most:
                    kept.popitem(last=False)
            return value

        return ask

    return around
