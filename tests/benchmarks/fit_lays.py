"""Lays for the benchmark of fits: a scene, which of its photos are used, heights typed or not.

Each lay is traced once, by the real command line, into a job folder that is kept; later runs read
the outlines from there. After a change that moves outlines, start with another folder.
"""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy.ndimage import distance_transform_edt

from tests.benchmarks.run import card_size_arguments
from tests.benchmarks.scoring import Result, aligned_pairs
from tests.benchmarks.truth import Scene, Tool
from tracer.geometry.compare import Motion
from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.project.outlines_file import OutlinesFile, load_outlines

__all__ = ["Lay", "Pair", "TracedLay", "lays_of", "traced", "write_tool_list"]


@dataclass(frozen=True, eq=False)
class Lay:
    """Photos of a scene, given by index, the first one first."""

    scene: Scene
    photos: tuple[int, ...]
    typed: bool

    @property
    def name(self) -> str:
        photos = "".join(str(i + 1) for i in self.photos)
        return f"{self.scene.name.replace('/', '-')}.{photos}.{'typed' if self.typed else 'open'}"

    @property
    def kind(self) -> str:
        """Kind of evidence: ``one typed``, ``one open``, ``several``."""
        if len(self.photos) > 1:
            return "several"
        return "one typed" if self.typed else "one open"

    def counted(self, tool: Tool) -> bool:
        """Shown whole by one of the photos, and not a loose cable."""
        return not tool.optional and any(
            i in self.photos and i not in tool.cut_in for i in tool.visible_in
        )


@dataclass(frozen=True, eq=False)
class Pair:
    """A true tool of a lay, moved into the frame of the outlines, and the outline found of it."""

    tool: Tool
    true: Tool
    outline: Outline | None


@dataclass(frozen=True, eq=False)
class TracedLay:
    """A lay with what tracing found."""

    lay: Lay
    outlines: tuple[Outline, ...]
    checks: tuple[Check, ...]
    pairs: tuple[Pair, ...]

    def named(self, outline_id: str) -> bool:
        """Whether a finding of warn or fail names the tool."""
        return any(c.subject_id == outline_id and c.severity.value != "note" for c in self.checks)


def lays_of(scene: Scene, *, most: int = 4) -> Iterator[Lay]:
    """One photo typed (each of them), one untyped (the first), and all sets of three or more."""
    count = len(scene.photos)
    for i in range(count):
        yield Lay(scene, (i,), typed=True)
    yield Lay(scene, (0,), typed=False)
    for size in range(3, min(count, most) + 1):
        for photos in combinations(range(count), size):
            yield Lay(scene, photos, typed=False)
    if count >= 3:
        yield Lay(scene, tuple(range(count)), typed=True)


def traced(lay: Lay, cache: Path) -> TracedLay | None:
    """Trace a lay, or read what was traced before; None where the lay is refused."""
    job = cache / f"{lay.name}.job"
    refused = cache / f"{lay.name}.refused"
    if not (job / "outlines.json").exists() and not refused.exists():
        cache.mkdir(parents=True, exist_ok=True)
        done = subprocess.run(_command(lay, cache, job), capture_output=True, check=False)
        if not (job / "outlines.json").exists():
            refused.write_bytes(done.stderr)
    if refused.exists():
        return None
    content = load_outlines((job / "outlines.json").read_bytes(), str(job))
    return paired(lay, content)


def paired(lay: Lay, content: OutlinesFile) -> TracedLay:
    """True tools and outlines matched by overlap after one rigid alignment of the lay."""
    outlines = [o for o in content.outlines if not (o.cable or o.cut_by_frame)]
    tools = [t for t in lay.scene.tools if lay.counted(t)]
    results = [Result(o.outline_id, o.name, o.region) for o in outlines]
    starts = [lay.scene.to_first_card(n) for n in lay.scene.card_sizes_mm] or [Motion()]
    motion, pairs = aligned_pairs(results, tools, starts)
    partner = {t: outlines[r] for r, t in pairs}
    return TracedLay(
        lay,
        tuple(content.outlines),
        tuple(content.checks),
        tuple(Pair(t, _moved(t, motion), partner.get(k)) for k, t in enumerate(tools)),
    )


def _moved(tool: Tool, motion: Motion) -> Tool:
    return Tool(
        tool.index,
        tool.name,
        tool.height_mm,
        motion.region(tool.outline),
        tool.visible_in,
        tool.cut_in,
        tool.optional,
    )


def _command(lay: Lay, cache: Path, job: Path) -> list[str]:
    photos = [str(lay.scene.photos[i]) for i in lay.photos]
    command = [sys.executable, "-m", "tracer", "trace", *photos, "--job", str(job)]
    command += card_size_arguments(lay.scene)
    if lay.typed:
        rows = cache / f"{lay.name}.csv"
        write_tool_list(lay, rows)
        command += ["--tools", str(rows)]
    return [*_slot(), *command]


def _slot() -> list[str]:
    """A program put before each trace, to share a busy machine (``TRACER_SLOT``)."""
    return os.environ.get("TRACER_SLOT", "").split()


def write_tool_list(lay: Lay, path: Path) -> None:
    """The scene's typed heights, each with a point inside the tool in the lay's first photo."""
    labels = lay.scene.labels(lay.photos[0])
    heights = lay.scene.typed_heights_mm
    rows: list[Sequence[object]] = []
    for tool in lay.scene.tools:
        mask = labels == tool.index + 1
        if tool.optional or not mask.any():
            continue
        ys, xs = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        window = np.pad(mask[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1], 1)
        depth = distance_transform_edt(window)
        y, x = np.unravel_index(int(np.argmax(depth)), depth.shape)
        height = heights.get(tool.name, round(tool.height_mm))
        rows.append((tool.name, int(x + xs[0] - 1), int(y + ys[0] - 1), height))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["name", "x_px", "y_px", "height_mm"])
        writer.writerows(rows)
