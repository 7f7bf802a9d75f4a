"""Random photos of panels in use, each made from its seed and number alone.

Three panels at a time, three pairs of foam colours, five lights; a tenth, half or most of the
tools missing, some wrong or turned about; things in front in about a third of the photos.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from shapely import affinity

from tests.inspection.panels import FOAMS, PALE, arranged, coloured
from tests.inspection.photo import LIGHTS, PanelPhoto, Shot, take
from tracer.model.panel import Panel, PanelPocket

__all__ = ["Case", "case_of", "photo_of"]

THINGS = ("hand", "cable", "coat", "rag")
SMALL_PX, LARGE_PX = (2048, 1536), (4032, 3024)


@dataclass(frozen=True, eq=False)
class Case:
    """What is photographed and how; ``marks``: corner marks are stuck on."""

    scene: Path
    foam: str
    panel: Panel
    states: dict[str, str]
    shot: Shot
    things: tuple[str, ...]
    marks: bool
    seed: int
    looks_seed: int


@cache
def _arranged(scene: Path, cache_folder: Path | None) -> Panel:
    if cache_folder is None:
        return arranged(scene)
    kept = cache_folder / f"{scene.name}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    panel = arranged(scene)
    cache_folder.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(pickle.dumps(panel))
    return panel


def _panel(scene: Path, foam: str, cache_folder: Path | None) -> Panel:
    return coloured(_arranged(scene, cache_folder), foam)


def looks_turned(pocket: PanelPocket) -> bool:
    """Whether a tool turned about shows another outline."""
    turned = affinity.rotate(pocket.outline, 180, origin="centroid")
    both = turned.intersection(pocket.outline).area
    return bool(both / turned.union(pocket.outline).area < 0.8)


def case_of(
    scenes: Sequence[Path],
    seed: int,
    number: int,
    *,
    cache_folder: Path | None = None,
    marks: bool = False,
    size_px: tuple[int, int] = SMALL_PX,
    pale: bool = False,
    odd: float = 0.10,
) -> Case:
    """The case of this number; ``odd`` is the share of tools swapped or turned about."""
    g = np.random.default_rng([seed, number])
    scene = scenes[number % len(scenes)]
    foam = next(iter(PALE)) if pale else list(FOAMS)[(number // len(scenes)) % len(FOAMS)]
    panel = _panel(scene, foam, cache_folder)
    gone = float(g.choice([0.1, 0.5, 0.8]))
    states = {}
    for pocket in panel.pockets:
        x = g.random()
        state = "present"
        if x < gone:
            state = "missing"
        elif x < gone + 0.6 * odd:
            state = "wrong"
        elif x < gone + odd and looks_turned(pocket):
            state = "turned"
        states[pocket.pocket_id] = state
    if number % 10 == 9:
        states = dict.fromkeys(states, "present")
    span = max(panel.size_mm[0], panel.size_mm[1] * 4 / 3)
    shot = Shot(
        size_px=size_px,
        distance_mm=float(np.clip(span * g.uniform(0.9, 1.6), 600, 2000)),
        tilt_deg=float(g.uniform(0, 35)),
        aside_deg=float(g.uniform(0, 360)),
        roll_deg=float(g.uniform(-15, 15)),
        off=(float(g.uniform(-0.08, 0.08)), float(g.uniform(-0.08, 0.08))),
        k1=float(g.uniform(-0.03, 0.05)),
        light=LIGHTS[int(g.integers(len(LIGHTS)))],
        exposure=float(np.exp(g.normal(-0.1, 0.35))),
        noise=float(np.exp(g.normal(0, 0.4))),
        quality=int(g.integers(75, 96)),
        tells_focal=bool(g.random() < 0.8),
    )
    things = tuple(t for t in THINGS if g.random() < 0.10)
    return Case(
        scene, foam, panel, states, shot, things, marks, 1000 * seed + number,
        int(g.integers(1000)),
    )  # fmt: skip


def photo_of(case: Case) -> PanelPhoto:
    """Render a case."""
    return take(
        case.panel, case.states, case.shot, case.seed, things=case.things, marks=case.marks,
        looks_seed=case.looks_seed,
    )  # fmt: skip
