"""Wrong codes slow down, and lock nobody out.

After a wrong code the next one from the same address is looked at only after a pause, which
doubles with every further wrong one up to a bound. A code that comes meanwhile waits for its turn:
the right one typed after slips is late, never refused. Guessing is hopeless all the same: 8 digits
at one guess in 8 s take 25 years.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

__all__ = ["Impatient", "Patience", "Turn"]


class Impatient(Exception):
    """Too many codes of this address wait already (429)."""

    def __init__(self, wait_s: float) -> None:
        super().__init__()
        self.wait_s = wait_s


@dataclass
class Turn:
    """Where an address stands; `wrong` is called when its code was."""

    wrong_so_far: int = 0
    ready_at: float = 0.0
    waiting: int = 0
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)


@dataclass
class Patience:
    """Pauses by address.

    Attributes
    ----------
    free
        Wrong codes that cost nothing: everybody slips.
    first_s, most_s
        The first pause, and the longest.
    forget_s
        Without a wrong code for this long, an address starts anew.
    most_waiting
        Codes of an address that may wait at a time.
    most_known
        Addresses that are remembered.
    """

    free: int = 2
    first_s: float = 0.5
    most_s: float = 8.0
    forget_s: float = 600.0
    most_waiting: int = 3
    most_known: int = 1000
    clock: Callable[[], float] = time.monotonic
    _turns: dict[str, Turn] = field(default_factory=dict)

    @asynccontextmanager
    async def turn(self, address: str) -> AsyncIterator[Turn]:
        """Wait until a code of this address may be looked at; one at a time.

        Raises
        ------
        Impatient
            Where too many wait already.
        """
        self._forget()
        turn = self._turns.setdefault(address, Turn())
        if turn.waiting >= self.most_waiting:
            raise Impatient(max(turn.ready_at - self.clock(), 1.0))
        turn.waiting += 1
        try:
            async with turn.lock:
                await asyncio.sleep(max(turn.ready_at - self.clock(), 0.0))
                yield turn
        finally:
            turn.waiting -= 1

    def wrong(self, turn: Turn) -> None:
        """The code was wrong: the next one waits."""
        turn.wrong_so_far += 1
        turn.ready_at = self.clock() + self.pause_s(turn.wrong_so_far)

    def right(self, address: str) -> None:
        """The code was right: the address starts anew."""
        self._turns.pop(address, None)

    def pause_s(self, wrong: int) -> float:
        """Pause after so many wrong codes.

        Examples
        --------
        >>> [Patience().pause_s(n) for n in (1, 2, 3, 4, 5, 6, 7, 8, 900)]
        [0.0, 0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 8.0, 8.0]
        """
        if wrong <= self.free:
            return 0.0
        return float(min(self.first_s * 2.0 ** min(wrong - self.free - 1, 60), self.most_s))

    def _forget(self) -> None:
        now = self.clock()
        idle = sorted(
            (turn.ready_at, address) for address, turn in self._turns.items() if not turn.waiting
        )
        surplus = len(self._turns) - self.most_known
        for at, (ready_at, address) in enumerate(idle):
            if at < surplus or now - ready_at > self.forget_s:
                del self._turns[address]
