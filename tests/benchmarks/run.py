"""One scene through the real command line, in a process of its own, with time and memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from shapely.geometry import Polygon

from tests.benchmarks.scoring import Result
from tests.benchmarks.truth import BOARD_MM, Scene
from tracer.model.view import View

__all__ = ["Run", "card_size_arguments", "decode_seconds", "trace"]

DECODES = 3


@dataclass(frozen=True)
class Run:
    """What a run of ``tracer trace`` gave."""

    exit_code: int
    seconds: float
    cpu_seconds: float
    peak_mb: float
    stderr: str
    report: dict[str, Any] = field(default_factory=dict)
    outlines: dict[str, Any] = field(default_factory=dict)

    @property
    def crashed(self) -> bool:
        """A traceback instead of a sentence."""
        return "Traceback (most recent call last)" in self.stderr or self.exit_code < 0

    @property
    def refusal(self) -> str:
        """The one sentence of a refused photo."""
        if self.exit_code not in (1, 2) or self.crashed:
            return ""
        lines = [line for line in self.stderr.splitlines() if line.startswith("error: ")]
        return lines[0] if len(lines) == 1 else ""

    @property
    def results(self) -> list[Result]:
        """Outlines as written to ``outlines.json``; tools cut by the frame are among them."""
        return [
            Result(
                o["id"],
                o["name"],
                _valid(Polygon(o["exterior"], o.get("holes", []))),
                o.get("height_mm"),
                o.get("height_source", ""),
                o.get("sigma_mm"),
                tuple(o.get("sigma_ring_mm", ())),
                o.get("height_sigma_mm"),
            )
            for o in self.outlines.get("outlines", [])
        ]

    def views(self) -> list[View]:
        """Cameras as written to ``outlines.json``, in the order of the photos."""
        return [
            View(
                p["photo_id"],
                (p["size_px"][0], p["size_px"][1]),
                *(np.array(p[key], float) for key in ("K", "dist", "R", "t")),
            )
            for p in next(iter(self.outlines.get("calibration", [])), {}).get("photos", [])
        ]


def _valid(region: Polygon) -> Polygon:
    """The same vertices where they make a polygon, so that the deviations still belong to them."""
    return region if region.is_valid else region.buffer(0)


def card_size_arguments(scene: Scene) -> list[str]:
    """The cards' printed size as a maker would measure and type it."""
    sizes = scene.card_sizes_mm
    different = set(sizes.values())
    if different <= {BOARD_MM}:
        return []
    if len(different) == 1:
        long_mm, short_mm = different.pop()
        return ["--card-size", f"{long_mm:.2f}x{short_mm:.2f}"]
    return [
        argument
        for number, (long_mm, short_mm) in sizes.items()
        for argument in ("--card-size", f"{number}:{long_mm:.2f}x{short_mm:.2f}")
    ]


def decode_seconds(photo: Path) -> tuple[float, float]:
    """Shortest of a few decodes of the photo, on the wall and on the processor.

    The yardsticks for a run's time; the second one is the steadier on a busy machine.
    """
    wall, processor = [], []
    for _ in range(DECODES):
        start, used = time.perf_counter(), time.process_time()
        with Image.open(photo) as picture:
            picture.load()
        wall.append(time.perf_counter() - start)
        processor.append(time.process_time() - used)
    return min(wall), min(processor)


def trace(scene: Scene, photos: Sequence[Path], *, typed: bool, more: Sequence[str] = ()) -> Run:
    """Trace a scene in a fresh process and read back what it wrote."""
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "lay.job"
        command = [sys.executable, "-m", "tracer", "trace", *map(str, photos)]
        command += ["--job", str(job), "--json", *card_size_arguments(scene), *more]
        if typed and scene.tool_list.exists():
            command += ["--tools", str(scene.tool_list)]
        out, err = Path(folder) / "out.txt", Path(folder) / "err.txt"
        with out.open("wb") as out_file, err.open("wb") as err_file:
            start = time.perf_counter()
            child = subprocess.Popen(command, stdout=out_file, stderr=err_file)
            _, status, usage = os.wait4(child.pid, 0)
            seconds = time.perf_counter() - start
            child.returncode = os.waitstatus_to_exitcode(status)
        return Run(
            exit_code=child.returncode,
            seconds=seconds,
            cpu_seconds=usage.ru_utime + usage.ru_stime,
            peak_mb=usage.ru_maxrss / 1024,  # kilobytes on Linux
            stderr=err.read_text("utf-8", errors="replace"),
            report=_json(out),
            outlines=_json(job / "outlines.json"),
        )


def _json(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}
