"""Are several photos worse than the best single one of them?

    python -m tests.benchmarks.against_one SCENES... --cache FOLDER [--count 3]

Every set of so many photos of a scene, nothing typed, against each of its photos alone with heights
typed, tool by tool; lays are traced once into the cache (`tests.benchmarks.fit_lays`). The error is
the mean of outline and truth at the tool's own best place, and its 95th percentile. The best single
photo is picked by the truth, so no person could do as well. *Worse*: by more than `MORE_MM`; a tool
that one way does not find is worse there. Intervals are by bootstrap over scenes.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.fit_lays import Lay, Pair, lays_of, traced
from tests.benchmarks.intervals import share_words
from tests.benchmarks.scoring import own_distance
from tests.benchmarks.truth import Scene, find_scenes

__all__ = ["Against", "against_singles"]

MORE_MM = 0.1
MISSED_MM = 100.0


@dataclass(frozen=True)
class Against:
    """One tool: errors (mean, 95th percentile) of the set, and of its photos one by one, mm."""

    scene: str
    tool: str
    together: tuple[float, float]
    alone: tuple[tuple[float, float], ...]

    def worse_than_best(self, what: int) -> bool:
        """Whether the set is worse than its best photo, in the mean (0) or the percentile (1)."""
        return self.together[what] > min(a[what] for a in self.alone) + MORE_MM

    def worse_than_median(self, what: int) -> bool:
        """Whether the set is worse than the middle one of its photos."""
        return self.together[what] > float(np.median([a[what] for a in self.alone])) + MORE_MM


def against_singles(scene: Scene, count: int, cache: Path) -> list[Against]:
    """All sets of ``count`` photos of a scene against their own photos."""
    alone = {
        lay.photos[0]: _errors(lay, cache) for lay in lays_of(scene) if lay.kind == "one typed"
    }
    found = []
    for lay in lays_of(scene):
        if len(lay.photos) != count or lay.typed:
            continue
        for tool, error in _errors(lay, cache).items():
            singles = tuple(alone[p][tool] for p in lay.photos if tool in alone[p])
            if singles:
                found.append(Against(scene.name, tool, error, singles))
    return found


def _errors(lay: Lay, cache: Path) -> dict[str, tuple[float, float]]:
    done = traced(lay, cache)
    return {p.tool.name: _error(p) for p in done.pairs} if done else {}


def _error(pair: Pair) -> tuple[float, float]:
    if pair.outline is None:
        return MISSED_MM, MISSED_MM
    own = own_distance(pair.outline.region, pair.true.outline)
    return own.mean_mm, own.p95_mm


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.against_one")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--count", type=int, default=3, help="photos of a set")
    chosen = parser.parse_args(arguments)
    found: list[Against] = []
    for scene in find_scenes(chosen.folders):
        if scene.expected == "ok" and len(scene.photos) >= chosen.count:
            found += against_singles(scene, chosen.count, chosen.cache)
            print(f"measured {scene.name}", flush=True)
    if not found:
        parser.error(f"no scene with {chosen.count} photos found")
    scenes = sorted({a.scene for a in found})
    print(f"{len(found)} tools of sets of {chosen.count} photos, {len(scenes)} scenes")
    for what, name in enumerate(("mean", "95th percentile")):
        for words, worse in (
            ("best", Against.worse_than_best),
            ("middle", Against.worse_than_median),
        ):
            some = [[worse(a, what) for a in found if a.scene == s] for s in scenes]
            share = share_words([(sum(w), len(w)) for w in some])
            print(f"worse than the {words} single photo in the {name}: {share}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
