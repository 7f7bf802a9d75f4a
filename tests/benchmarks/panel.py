"""How arranging, checking and drawing grow with the number of tools.

    python -m tests.benchmarks.panel [COUNT ...]

Prints seconds per step for 10 to 500 tools on a bay whose area grows with them (40 tools:
1.5 x 1 m), the best of three runs for the checks, and each time over that of 10 tools.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from tests.panel.bench import BASE, FACE, THIN, bar, spanner, tool
from tracer.export.drawing.panel_drawing import draw_sheet
from tracer.export.machine.profiles import read_machine
from tracer.model.panel import Bay, BayKind, Panel
from tracer.model.panel_plan import PanelPlan, PlyPlan
from tracer.panel.build import build_panel, rules_of
from tracer.panel.checks.report import check_panel
from tracer.panel.layout.places import Tool
from tracer.panel.stock.sheets import make_walls, slab_sheets

CELL_MM = (150.0, 250.0)


def lay(count: int, seed: int = 5) -> tuple[list[Tool], PanelPlan]:
    """Spanners and bars of many sizes on a grid of cells, a little turned and shifted."""
    rng = np.random.default_rng(seed)
    columns = max(round((count * 1.5 * CELL_MM[1] / CELL_MM[0]) ** 0.5), 1)
    rows = -(-count // columns)
    tools = []
    for n in range(count):
        length = float(rng.uniform(110, 190))
        shape = spanner(length, 34) if n % 2 else bar(float(rng.uniform(18, 36)), length)
        x = (n % columns + 0.5) * CELL_MM[0] + float(rng.uniform(-8, 8))
        y = (n // columns + 0.5) * CELL_MM[1] + float(rng.uniform(-8, 8))
        height = float(rng.uniform(6, 40))
        tools.append(
            tool(
                shape, n + 1, x, y, height_mm=height, mass_kg=0.3, turn_deg=float(rng.normal(0, 2))
            )
        )
    size = columns * CELL_MM[0] + 60, rows * CELL_MM[1] + 60
    big = (size[0] + 10, size[1] + 10)
    plan = PanelPlan(
        title="Growth",
        bay=Bay(BayKind.WALL, *size, above_floor_mm=900.0),
        plies=tuple(
            PlyPlan(role, type(s)(s.colour, s.rgb, s.material, s.thickness_mm, big, 45.0))
            for role, s in (("face", FACE), ("base", BASE))
        ),
        insert=THIN,
    )
    return tools, plan


def timed(work: Callable[[], Any], times: int = 1) -> tuple[float, Any]:
    """Least seconds of some runs, and the last result."""
    best, result = float("inf"), None
    for _ in range(times):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return best, result


def measure(count: int) -> dict[str, float]:
    """Seconds per step for a number of tools."""
    tools, plan = lay(count)
    build, built = timed(lambda: build_panel(tools, plan))
    panel: Panel = built.panel
    checks, found = timed(lambda: check_panel(panel, plan, tools), times=3)
    machine = read_machine("oscillating-knife")
    rules = rules_of(plan, panel.bay)

    def draw() -> int:
        works, _ = slab_sheets(panel, machine, make_walls(panel, machine), rules)
        return sum(len(draw_sheet(w, machine).cut.paths) for w in works)

    drawing, paths = timed(draw)
    return {"build": build, "checks": checks, "draw": drawing, "found": len(found), "paths": paths}


def main(arguments: Sequence[str]) -> None:
    """Print the table."""
    counts = [int(a) for a in arguments] or [10, 40, 100, 250, 500]
    heads = ("build s", "checks s", "draw s")
    print(
        f"{'tools':>6} "
        + " ".join(f"{h:>9}" for h in heads)
        + f" {'x':>7} {'found':>6} {'paths':>6}"
    )
    first: float | None = None
    for count in counts:
        m = measure(count)
        first = first or m["checks"]
        print(
            f"{count:6d} {m['build']:9.2f} {m['checks']:9.4f} {m['draw']:9.2f} "
            f"{m['checks'] / first:7.1f} {m['found']:6.0f} {m['paths']:6.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
