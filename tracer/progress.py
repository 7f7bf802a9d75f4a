"""How long work tells the outside how far it is.

A workflow is handed a `Progress`. It announces each step by name; a step that can say how far it
is calls ``fraction``. `StepClock` measures the steps; the command line and the desk show them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

__all__ = ["Progress", "Silent", "StepClock"]


class Progress(Protocol):
    """Receiver of progress."""

    def step(self, name: str) -> None:
        """A new step begins; the one before it has ended."""
        ...

    def fraction(self, done: float) -> None:
        """The present step is done to this part, 0 to 1."""
        ...


class Silent:
    """Says nothing."""

    def step(self, name: str) -> None:
        """Ignore."""

    def fraction(self, done: float) -> None:
        """Ignore."""


class StepClock:
    """Wall-clock seconds per step, passing everything on to another receiver."""

    def __init__(
        self, receiver: Progress | None = None, clock: Callable[[], float] = time.perf_counter
    ) -> None:
        self._receiver: Progress = receiver or Silent()
        self._clock = clock
        self._name: str | None = None
        self._since = clock()
        self.seconds: dict[str, float] = {}

    @property
    def receiver(self) -> Progress:
        """Where progress is passed on to."""
        return self._receiver

    def step(self, name: str) -> None:
        """End the step before and begin this one."""
        self.stop()
        self._name, self._since = name, self._clock()
        self._receiver.step(name)

    def fraction(self, done: float) -> None:
        """Pass on."""
        self._receiver.fraction(done)

    def stop(self) -> None:
        """End the present step."""
        if self._name is not None:
            spent = self._clock() - self._since
            self.seconds[self._name] = self.seconds.get(self._name, 0.0) + spent
            self._name = None
