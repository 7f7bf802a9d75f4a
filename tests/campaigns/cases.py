"""A case, what it did, and the table of a campaign."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.campaigns.workshop import Workshop

__all__ = ["FAULTS", "HANG_S", "MEMORY_MB", "Case", "Fault", "Outcome", "random_of", "table"]

HANG_S = 20.0
MEMORY_MB = 3000.0
#: what is counted, in the order of the table
FAULTS = {
    "traceback": "tracebacks",
    "hang": f"hangs over {HANG_S:.0f} s",
    "memory": f"memory over {MEMORY_MB / 1000:.0f} GB",
    "signal": "deaths by signal",
    "lost": "a person's file changed or lost",
    "mixed": "mixed or bricked job",
    "words": "programmer's words",
    "silent": "no sentence, or said what did not happen",
}


@dataclass(frozen=True)
class Fault:
    """One thing that a case must not do; ``kind`` is a key of `FAULTS`."""

    kind: str
    detail: str


@dataclass(frozen=True)
class Case:
    """One thing to try.

    Attributes
    ----------
    kind, number
        Together with the seed its name.
    title
        What is tried, in words.
    act
        Does it in a laid-out workshop and gives what went wrong.
    topic
        What the table groups by.
    """

    kind: str
    number: int
    topic: str
    title: str
    act: Callable[[Workshop], list[Fault]]

    @property
    def name(self) -> str:
        """The name by which it is repeated."""
        return f"{self.kind}:{self.number}"


@dataclass
class Outcome:
    """What became of a case."""

    name: str
    topic: str
    title: str
    faults: list[Fault] = field(default_factory=list)
    seconds: float = 0.0
    memory_mb: float = 0.0
    kept: Path | None = None

    def record(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "case": self.name,
            "topic": self.topic,
            "title": self.title,
            "faults": [[f.kind, f.detail[:2000]] for f in self.faults],
            "seconds": round(self.seconds, 2),
            "memory_mb": round(self.memory_mb),
        }


def random_of(seed: int, kind: str, number: int) -> random.Random:
    """The random numbers of one case, whatever ran before it."""
    return random.Random(f"{seed}/{kind}/{number}")


def table(outcomes: Iterable[Outcome], kinds: Sequence[str]) -> str:
    """Cases with each fault, by kind of campaign. A case counts once for each kind of fault."""
    cases: Counter[str] = Counter()
    found: Counter[tuple[str, str]] = Counter()
    for outcome in outcomes:
        kind = outcome.name.split(":")[0]
        cases[kind] += 1
        found.update((kind, fault) for fault in {f.kind for f in outcome.faults})
    width = max(len(words) for words in FAULTS.values())
    lines = [f"{'':<{width}}" + "".join(f"{kind:>11}" for kind in kinds)]
    lines.append(f"{'cases':<{width}}" + "".join(f"{cases[kind]:>11}" for kind in kinds))
    for fault, words in FAULTS.items():
        lines.append(f"{words:<{width}}" + "".join(f"{found[kind, fault]:>11}" for kind in kinds))
    return "\n".join(lines)
