"""Swap pairs through the command line: distance of the new outline, proof that the rest stays.

``python -m tests.benchmarks.swap BEFORE AFTER [BEFORE AFTER ...]``: folders in the format of
``sample_images/``; the tool ``T01`` of the truth is replaced.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from tracer.cli.app import run
from tracer.geometry.compare import align, boundary_distance, filled
from tracer.geometry.register import register


def truth_of(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "truth.json").read_text("utf-8"))


def first_tool(truth: dict[str, Any]) -> tuple[Polygon, float]:
    """Outline and height of T01."""
    tool = next(t for t in truth["tools"] if t["id"] == "T01")
    return Polygon(tool["outline"]["exterior"], tool["outline"]["holes"]), tool["height_mm"]


def point_px(truth: dict[str, Any], region: Polygon) -> str:
    """A point in the tool, in pixels of the first photo."""
    photo = truth["photos"][0]
    inside = region.representative_point()
    cam = np.array(photo["R"]) @ [inside.x, inside.y, 0] + photo["t"]
    px = np.array(photo["K"]) @ (cam / cam[2])
    return f"{px[0]:.0f},{px[1]:.0f}"


def outlines(job: Path) -> dict[str, str]:
    """The line of each outline by id."""
    found = {}
    for line in (job / "outlines.json").read_text("utf-8").splitlines():
        if line.startswith('  {"id": '):
            found[json.loads(line.rstrip(","))["id"]] = line.rstrip(",")
    return found


def polygon(line: str) -> Polygon:
    raw = json.loads(line)
    return Polygon(raw["exterior"], raw["holes"])


def command(*arguments: str) -> dict[str, Any]:
    """Run a command with --json."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        run([*arguments, "--json", "--quiet"])
    return json.loads(out.getvalue())


def against(line: str, truth: Polygon) -> tuple[float, float]:
    """Mean and 95th percentile of the distance to the truth, laid best over it."""
    region = filled(polygon(line))
    start = register(region, filled(truth)).motion
    moved = align([(region, filled(truth))], start).region(region)
    distance = boundary_distance(moved, filled(truth))
    return distance.mean_mm, distance.p95_mm


def measure(before: Path, after: Path, scratch: Path) -> None:
    """Swap there and back again, and print what came of it."""
    old, new = truth_of(before), truth_of(after)
    old_region, old_height = first_tool(old)
    new_region, new_height = first_tool(new)
    card = old["cards"][0]
    size = f"{168 * card['scale_x']:.3f}x{112 * card['scale_y']:.3f}"
    job = scratch / f"{before.name}.job"
    command(
        "trace", str(before / "photo_1.jpg"), "--tools", str(before / "tools.csv"),
        "--card-size", size, "--job", str(job),
    )  # fmt: skip
    first = outlines(job)
    # our frame is the lowest card's: T01 is found by the name that the tool list gives it
    name = next(t["name"] for t in old["tools"] if t["id"] == "T01")
    tool = next(i for i, line in first.items() if json.loads(line)["name"] == name)
    started = time.process_time()
    done = command(
        "swap", str(job), tool, str(after / "photo_1.jpg"), "--card-size", size,
        "--height", f"{new_height:.0f}", "--point", point_px(new, new_region),
    )  # fmt: skip
    spent = time.process_time() - started
    second = outlines(job)
    same = sum(first[i] == second.get(i) for i in first if i != tool)
    change = done["changes"][0]
    mean, p95 = against(second[tool], new_region)
    print(f"{before.name} -> {after.name}")
    print(f"  new outline to truth: mean {mean:.2f} mm, p95 {p95:.2f} mm; laid by {change['rule']}")
    print(f"  other outlines byte for byte the same: {same} of {len(first) - 1}")
    print(
        f"  patch: {change['remedy']}, new foam {change['new_foam_mm2']:.0f} mm2;"
        f" processor {spent:.1f} s"
    )
    command(
        "swap", str(job), tool, str(before / "photo_1.jpg"), "--card-size", size,
        "--height", f"{old_height:.0f}", "--point", point_px(old, old_region),
    )  # fmt: skip
    third = outlines(job)
    region, again = polygon(first[tool]), polygon(third[tool])
    moved = register(again, region).motion.region(again)
    distance = boundary_distance(filled(moved), filled(region))
    sigma = np.hypot(json.loads(first[tool])["sigma_mm"], json.loads(third[tool])["sigma_mm"])
    print(f"  there and back: mean {distance.mean_mm:.3f} mm, sigma {sigma:.2f} mm")


def main() -> None:
    """Measure pair after pair."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folders", type=Path, nargs="+", help="before, after, and so on")
    folders = ask.parse_args().folders
    if len(folders) % 2:
        ask.error("Give a folder after the swap for each folder before it.")
    with tempfile.TemporaryDirectory() as scratch:
        for before, after in zip(folders[::2], folders[1::2], strict=True):
            measure(before, after, Path(scratch))


if __name__ == "__main__":
    main()
