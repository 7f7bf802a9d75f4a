"""Stage results remembered between runs, so that a run after a correction does what changed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import TypeVar

__all__ = ["StageCache"]

T = TypeVar("T")


class StageCache:
    """The latest results, each under a key that names everything it was made from.

    Stages are pure, so an equal key means an equal result. Safe to use from several threads; two
    that ask for the same missing result may both make it.

    Examples
    --------
    >>> cache = StageCache()
    >>> cache.get("a", lambda: 1), cache.get("a", lambda: 2)
    (1, 1)
    """

    def __init__(self, capacity: int = 24) -> None:
        self._capacity = capacity
        self._values: OrderedDict[Hashable, object] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """The remembered result, else a newly made one."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]  # type: ignore[return-value]
        value = make()
        with self._lock:
            self._values[key] = value
            while len(self._values) > self._capacity:
                self._values.popitem(last=False)
        return value
