"""Stage results remembered between runs, so that a run after a correction does what changed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import TypeVar

__all__ = ["StageCache"]

T = TypeVar("T")
MOST_BYTES = 250_000_000  # a photo of 48 megapixels has 150 million


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

    def __init__(self, capacity: int = 600) -> None:
        self._capacity = capacity
        self._large: tuple[Hashable, object] | None = None
        self._values: OrderedDict[Hashable, object] = OrderedDict()
        self._lock = Lock()

    def get_large(
        self,
        key: Hashable,
        make: Callable[[], T],
        size_of: Callable[[T], int],
        most: int = MOST_BYTES,
    ) -> T:
        """As `get` for a result of many bytes: only the latest is kept, and none above ``most``."""
        with self._lock:
            if self._large is not None and self._large[0] == key:
                return self._large[1]  # type: ignore[return-value]
        value = make()
        with self._lock:
            self._large = (key, value) if size_of(value) <= most else None
        return value

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
