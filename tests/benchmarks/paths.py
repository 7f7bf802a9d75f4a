"""How fast and how fine paths are made: pieces and milliseconds per tool, as distributions.

Run ``python -m tests.benchmarks.paths`` with TRACER_SCENES naming the folder of rendered scenes;
without it a spanner, a key and random tools are measured. Processor time, so that other work on
the machine counts little; the yardstick is one round buffer of the same outline.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon

from tests.geometry.shapes import hex_key, spanner
from tracer.geometry.arcs import fit_arcs
from tracer.model.pocket import PocketRule
from tracer.panel.pocket.pockets import make_pocket


def tools() -> list[Polygon]:
    """True outlines of all rendered scenes, or two of our own."""
    folder = os.environ.get("TRACER_SCENES")
    if not folder:
        return [spanner(), hex_key()]
    found = []
    for path in sorted(Path(folder).glob("*/truth.json")):
        for tool in json.loads(path.read_text("utf-8"))["tools"]:
            found.append(Polygon(tool["outline"]["exterior"], tool["outline"]["holes"]))
    return found


def measured(work: Callable[[Polygon], object], shapes: list[Polygon]) -> np.ndarray:
    """Milliseconds of processor time per shape, best of two."""
    times = []
    for shape in shapes:
        best = np.inf
        for _ in range(2):
            start = time.process_time()
            work(shape)
            best = min(best, time.process_time() - start)
        times.append(1e3 * best)
    return np.array(times)


def row(name: str, values: np.ndarray, unit: str) -> None:
    """One line: minimum, median, 90th percentile, maximum."""
    parts = np.percentile(values, [0, 50, 90, 100])
    print(f"{name:<28}" + "".join(f"{v:10.2f}" for v in parts) + f"  {unit}")


def main() -> None:
    """Print the table."""
    shapes = tools()
    print(f"{len(shapes)} outlines; load {os.getloadavg()[0]:.1f}")
    print(f"{'':<28}{'min':>10}{'median':>10}{'p90':>10}{'max':>10}")
    yard = measured(lambda s: s.buffer(1.0, quad_segs=32), shapes)
    row("round buffer", yard, "ms")
    for tolerance in (0.1, 0.2):
        fit = measured(
            lambda s, t=tolerance: fit_arcs(np.asarray(s.exterior.coords)[:-1], t), shapes
        )
        row(f"arcs within {tolerance}", fit, "ms")
        row("  to one buffer", fit / yard, "x")
        pieces = [
            len(fit_arcs(np.asarray(s.exterior.coords)[:-1], tolerance).loop.vertices)
            for s in shapes
        ]
        row("  pieces", np.array(pieces, float), "")
    for radius in (0.0, 3.0):
        rule = PocketRule(fit_mm=1.1, cutter_radius_mm=radius, depth_mm=12.0)
        whole = measured(lambda s, r=rule: make_pocket(s, r, pocket_id="T"), shapes)
        row(f"whole pocket, cutter {radius:g}", whole, "ms")


if __name__ == "__main__":
    main()
