"""Rendered flatbed scans against their exact truth: errors of edges, and of coins' diameters.

    python -m tests.benchmarks.scan [--seeds N] [--markdown FILE]

Shapes are those of `tests.scan_maker`: coins of the diameters in Council Regulation (EU) No
729/2014, annex I, hexagon keys of ISO 2936 (from memory), inserts; in *mixed* scans bars, discs,
washers and screws as well, in any direction, under a white lid or with the lid open. Each scan has
a resolution of its own along rows and columns, 0.4 % apart, its own turn, noise and file format; a
card of the size as typed lies face down on the glass. The whole way is gone, from the file to the
outlines, in the frame of the card: what is off in place or hand counts as an error of the edge.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.scan_maker import Flaws, Part, make_scan, mixed_parts, small_parts
from tracer.model.card import CardSizes
from tracer.photos import decode_photo
from tracer.workflows.tracing.trace import Trace, TraceOptions, trace

__all__ = ["Figures", "edge_errors", "figures_of", "measured", "table"]

Array = NDArray[np.float64]
SPACING_MM = 0.2
KINDS = (
    ("coins, keys; 300 an inch, PNG", 300.0, "PNG", 0.86),
    ("coins, keys; 300 an inch, JPEG", 300.0, "JPEG", 0.86),
    ("coins, keys; 200 an inch, PNG", 200.0, "PNG", 0.86),
    ("coins, keys; 200 an inch, JPEG", 200.0, "JPEG", 0.86),
    ("mixed; 300 an inch, JPEG", 300.0, "JPEG", 0.86),
    ("mixed, lid open; 300 an inch, JPEG", 300.0, "JPEG", 0.02),
)
APART = 1.004  # of the two scales


@dataclass(frozen=True, eq=False)
class Figures:
    """Of one kind of scan: parts, those found, errors of edges (N,) mm, of diameters (M,) mm."""

    kind: str
    parts: int
    found: int
    invented: int
    edges_mm: Array
    diameters_mm: Array


def edge_errors(found: Polygon, true: Polygon) -> Array:
    """Distances (N,) of both boundaries from each other, holes too; positive: found is outside."""
    there = shapely.points(shapely.get_coordinates(found.boundary.segmentize(SPACING_MM)))
    away = shapely.distance(there, true.boundary)
    signed = np.where(shapely.contains(true, there), -away, away)
    back = shapely.points(shapely.get_coordinates(true.boundary.segmentize(SPACING_MM)))
    away = shapely.distance(back, found.boundary)
    return np.concatenate([signed, np.where(shapely.contains(found, back), away, -away)])


def measured(
    parts: Sequence[Part], dpi: float, kind: str, lid: float, seed: int
) -> tuple[Sequence[Part], Trace]:
    """Render, write, read and trace one scan."""
    rng = np.random.default_rng(seed)
    scan = make_scan(
        parts,
        dpi=(dpi, dpi * APART) if seed % 2 else (dpi * APART, dpi),
        stated_dpi=(dpi, dpi),
        turn_deg=float(rng.uniform(-2.5, 2.5)),
        flaws=Flaws(blur_px=float(rng.uniform(0.4, 1.0)), noise_dn=1.5, lid=lid, seed=seed),
    )
    photo = decode_photo(scan.file(kind), f"parts.{kind.lower()}")
    options = TraceOptions(scan=True, card_sizes=CardSizes((168.0, 112.0)))
    return scan.parts, trace([photo], options=options)


def figures_of(kind: str, runs: Sequence[tuple[Sequence[Part], Trace]]) -> Figures:
    """All runs of one kind together."""
    edges, diameters, found, invented = [np.empty(0)], [], 0, 0
    for parts, done in runs:
        regions = [o.region for o in done.outlines]
        for part in parts:
            best = max(regions, key=lambda r: r.intersection(part.plan).area, default=None)
            if best is None or best.intersection(part.plan).area < 0.5 * part.plan.area:
                continue
            found += 1
            edges.append(edge_errors(best, part.plan))
            if part.diameter_mm is not None:
                diameters.append(2 * np.sqrt(best.area / np.pi) - part.diameter_mm)
        plans = shapely.union_all([p.plan for p in parts])
        invented += sum(r.intersection(plans).area < 0.5 * r.area for r in regions)
    count = sum(len(parts) for parts, _ in runs)
    return Figures(kind, count, found, invented, np.concatenate(edges), np.array(diameters))


def table(rows: Sequence[Figures]) -> str:
    """Markdown."""
    lines = [
        "| scans | parts found | invented | edge: mean mm | p95 mm | largest | signed "
        "| diameters: rms mm | largest |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for f in rows:
        size = np.abs(f.edges_mm)
        lines.append(
            f"| {f.kind} | {f.found} of {f.parts} | {f.invented} | {size.mean():.3f} "
            f"| {np.percentile(size, 95):.3f} | {size.max():.2f} | {f.edges_mm.mean():+.3f} "
            f"| {np.sqrt(np.mean(f.diameters_mm**2)):.3f} | {np.abs(f.diameters_mm).max():.3f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--markdown", type=Path)
    typed = parser.parse_args()
    rows = [
        figures_of(
            words,
            [
                measured(mixed_parts(s) if "mixed" in words else small_parts(), dpi, kind, lid, s)
                for s in range(typed.seeds)
            ],
        )
        for words, dpi, kind, lid in KINDS
    ]
    print(table(rows), end="")
    if typed.markdown:
        typed.markdown.write_text(table(rows), "utf-8")


if __name__ == "__main__":
    main()
