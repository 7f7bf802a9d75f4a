"""What several photos give, with exact silhouettes and cameras: distances, heights, reliability.

Run ``python -m tests.benchmarks.views FOLDER...`` with folders that hold rendered scenes; lays of
simple solids with four and five photos are added. Median over the tools of a lay of mean and 95th
percentile of the boundary distance, mm, holes filled, no alignment:

first
    the first photo's silhouette as it is;
typed
    the first photo, true height typed, edges by the default edge model;
hull
    all that no photo rules out, seen straight down;
views
    all photos solved together, nothing typed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.benchmarks.truth import find_scenes
from tests.parallax.multi_view.lays import Lay, edge_errors, read_lay, score, scores, solved_pairs
from tests.parallax.multi_view.solids import AROUND_4, AROUND_5, ROW_2, ROW_3, bench_lay
from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.oneheight import at_height
from tracer.parallax.multi_view.views import solve_views
from tracer.parallax.single_view.single import compensate

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Row:
    """One lay with one choice of photos."""

    name: str
    photos: int
    distances: dict[str, Array]  # per method (tools, 2): mean and p95
    height_errors: Array
    errors: Array
    sigmas: Array
    seconds_per_tool: float


def hull_of(silhouettes: Sequence[Silhouette], cameras: Sequence[Camera], top_mm: float) -> Polygon:
    """The visual hull seen straight down, from slices 3 mm apart."""
    slices = []
    for z in np.arange(0.0, top_mm, 3.0):
        placed = [
            shapely.make_valid(at_height(s.region.simplify(0.2), c, float(z)))
            for s, c in zip(silhouettes, cameras, strict=True)
        ]
        slices.append(shapely.intersection_all(placed))
    parts = [p for p in shapely.get_parts(shapely.union_all(slices)) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area)


def measure(name: str, lay: Lay) -> Row:
    """All methods on one lay."""
    cameras = [Camera(v.nadir_mm, v.height_mm) for v in lay.views]
    start = time.process_time()
    solution = solve_views(lay.silhouettes, lay.views)
    seconds = time.process_time() - start
    table: dict[str, Array] = {"views": scores(solution, lay)[:, :2]}

    def single(make: Callable[[int], Polygon]) -> Array:
        found = [score(make(k), tool.outline) for k, tool in enumerate(lay.tools)]
        return np.array([(s.mean, s.p95) for s in found])

    table["first"] = single(lambda k: lay.silhouettes[0][k].region)
    table["typed"] = single(
        lambda k: (
            compensate(lay.silhouettes[0][k], lay.views[0], height_mm=lay.tools[k].height_mm).region
        )
    )
    table["hull"] = single(
        lambda k: hull_of([s[k] for s in lay.silhouettes], cameras, lay.tools[k].height_mm)
    )
    errors, sigmas = edge_errors(solution, lay)
    off = [found.height_mm - tool.height_mm for tool, found in solved_pairs(solution, lay)]
    return Row(
        name,
        len(lay.views),
        table,
        np.array(off),
        errors,
        sigmas,
        seconds / len(lay.tools),
    )


def show(rows: Sequence[Row]) -> None:
    """Print one line per lay, then the reliability over all of them."""
    methods = ("first", "typed", "hull", "views")
    head = "".join(f"{m:>14}" for m in methods)
    print(f"{'lay':<24}{'photos':>6}{head}{'height off':>12}{'CPU s/tool':>12}")
    for row in rows:
        cells = "".join(
            f"{m:>8.2f}/{p:<5.2f}"
            for m, p in (np.median(row.distances[k], axis=0) for k in methods)
        )
        off = np.median(np.abs(row.height_errors))
        print(f"{row.name:<24}{row.photos:>6}{cells}{off:>12.1f}{row.seconds_per_tool:>12.2f}")
    print("\nedge within 1 / 2 / 3 sigma, per cent of outline vertices; median sigma mm")
    for kind in sorted({(r.name.split(" ")[0] == "solids", r.photos) for r in rows}):
        some = [r for r in rows if (r.name.split(" ")[0] == "solids", r.photos) == kind]
        share = np.abs(np.concatenate([r.errors for r in some])) / np.concatenate(
            [r.sigmas for r in some]
        )
        inside = " / ".join(f"{100 * np.mean(share <= k):.0f}" for k in (1, 2, 3))
        middle = np.median(np.concatenate([r.sigmas for r in some]))
        name = "solids" if kind[0] else "rendered"
        print(f"{name:<10}{kind[1]:>2} photos{inside:>16}{middle:>8.2f}")


def main(folders: Sequence[str]) -> None:
    """Measure every lay of three photos or more under the folders, and the solids."""
    rows = []
    for scene in find_scenes([Path(f) for f in folders]):
        if len(scene.photos) < 3:
            continue
        lay = read_lay(scene.folder)
        every = range(len(lay.views))
        for few in combinations(every, 2):
            rows.append(measure(f"{scene.name[:16]} {few[0] + 1}+{few[1] + 1}", lay.photos(*few)))
        rows.append(measure(scene.name[:20], lay))
    for places in (ROW_2, ROW_3, AROUND_4, AROUND_5):
        for seed in (1, 2):
            rows.append(measure(f"solids {seed}", bench_lay(places, seed=seed)))
    show(rows)


if __name__ == "__main__":
    main(sys.argv[1:])
