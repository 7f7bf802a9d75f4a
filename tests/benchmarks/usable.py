"""How many outlines need no hand, which are lost, and whether the doubt names the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.benchmarks.intervals import share_words
from tests.benchmarks.truth import Scene

__all__ = ["NAMING", "named_tools", "usable_lines", "worst", "worst_picture", "write_worst"]

WORST = 3
ROOM_PX = 700  # side of a picture of one tool

#: findings by which a run names a tool as in doubt, or as not to be measured from one photo
NAMING = frozenset(
    {
        "outline-doubtful",
        "outline-uncertain",
        "outline-unmeasured",
        "height-unknown",
        "cut-by-frame",
        "too-tall-for-one-photo",
    }
)
HEIGHTS: dict[str, Callable[[float], bool]] = {
    "all": lambda h: True,
    "up to 15 mm tall": lambda h: h <= 15,
    "15 to 30 mm": lambda h: 15 < h <= 30,
    "up to 30 mm": lambda h: h <= 30,
    "above 30 mm": lambda h: h > 30,
}


def named_tools(checks: Sequence[dict[str, Any]]) -> set[str]:
    """Ids of the tools that a run's findings name as in doubt."""
    return {c["subject_id"] for c in checks if c["slug"] in NAMING and c.get("subject_id")}


def usable_lines(records: Sequence[dict[str, Any]]) -> list[str]:
    """Shares with 95 % intervals over lays; nothing where no tool tells."""
    some = [r for r in records if r["counted"]]
    if not any("usable_alone" in t for r in some for t in r["tools"]):
        return []

    def over(what: Callable[[dict[str, Any]], bool], of: Callable[[dict[str, Any]], bool]) -> str:
        counts = []
        for r in some:
            chosen = [t for t in r["tools"] if of(t)]
            counts.append((sum(what(t) for t in chosen), len(chosen)))
        return share_words(counts)

    lines = [f"of {sum(r['counted'] for r in some)} tools on {len(some)} lays (95 % over lays):"]
    for name, belongs in HEIGHTS.items():
        share = over(
            lambda t: bool(t["usable_alone"]), lambda t, b=belongs: bool(b(t["true_height_mm"]))
        )
        lines.append(f"  usable as it is, {name:17} {share}")
    lines += [
        f"  p95 over 5 mm                      {over(lambda t: t['own']['p95_mm'] > 5, _any)}",
        f"  unusable that are named as in doubt {over(_named, lambda t: not t['usable_alone'])}",
        f"  usable that are named all the same  {over(_named, lambda t: bool(t['usable_alone']))}",
        f"  lost   {share_words([(len(r['missed']), r['counted']) for r in some])}",
        f"  joined {share_words([(len(r['merged']), r['counted']) for r in some])}",
    ]
    return lines


def _any(tool: dict[str, Any]) -> bool:
    return True


def _named(tool: dict[str, Any]) -> bool:
    return bool(tool.get("named"))


def worst(records: Sequence[dict[str, Any]], count: int = WORST) -> list[tuple[str, str]]:
    """Scene and tool of the worst outlines by their own 95th percentile."""
    found = [
        (t["own"]["p95_mm"], r["scene"], t["name"])
        for r in records
        for t in r["tools"]
        if t.get("own")
    ]
    return [(scene, name) for _, scene, name in sorted(found, reverse=True)[:count]]


def worst_picture(
    scene: Scene, found_mm: Polygon, true_mm: Polygon, pixels: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """A tool in the first photo: its true outline green, the found one magenta, BGR.

    Both outlines are laid on the sheet in the truth's frame; a tall tool stands off from them.
    """
    view = scene.views[0]
    rings = [
        (view.to_photo(shapely.get_coordinates(region.exterior.segmentize(4.0))), colour)
        for region, colour in ((true_mm, (60, 200, 60)), (found_mm, (255, 0, 255)))
    ]
    points = np.vstack([r for r, _ in rings])
    low, high = points.min(axis=0) - 60, points.max(axis=0) + 60
    x0, y0 = np.maximum(low, 0).astype(int)
    x1, y1 = np.minimum(high, pixels.shape[1::-1]).astype(int)
    part = np.ascontiguousarray(pixels[y0:y1, x0:x1, ::-1])
    scale = ROOM_PX / max(part.shape[:2])
    part = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    for ring, colour in rings:
        line = np.round((ring - (x0, y0)) * scale * 16).astype(np.int32)
        cv2.polylines(part, [line], True, colour, 2, cv2.LINE_AA, 4)
    return np.asarray(part, np.uint8)


def write_worst(
    folder: Path,
    chosen: Sequence[tuple[str, str]],
    outlines: dict[tuple[str, str], tuple[Scene, Polygon, Polygon]],
    read: Callable[[Path], NDArray[np.uint8]],
) -> list[Path]:
    """Pictures of the worst outlines; returns their files."""
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for rank, key in enumerate(chosen, start=1):
        scene, found, true = outlines[key]
        name = "-".join(f"{key[0]}-{key[1]}".replace("/", "-").split())
        file = folder / f"worst-{rank}-{name}.png"
        cv2.imwrite(str(file), worst_picture(scene, found, true, read(scene.photos[0])))
        files.append(file)
    return files
