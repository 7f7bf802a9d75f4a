"""Our separation of tool and ground beside recipes that anyone can write in an hour.

    python -m tests.benchmarks.peers FOLDER ... [--recipes threshold graph-cut watershed
        auto classical learned] [--only TEXT] [--json FILE]

The recipes are told the cards' papers and the smallest tool, so that they are judged on tools
alone. Each photo is done in a process of its own; memory is that process's peak. Our own seconds
include reading the photo and finding the cards, which the recipes are spared.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon
from skimage.segmentation import watershed

from tests.benchmarks.masks import score_masks
from tests.benchmarks.truth import BOARD_MM, Scene, find_scenes
from tracer.calibration import CardSizes, calibrate
from tracer.geometry.compare import Motion
from tracer.photos import read_photo
from tracer.segmentation import SegmentOptions, Way, segment

Labels = NDArray[np.int32]
WORK_PX = 1200  # longer side at which the recipes run: graph cuts and watersheds are slow
PAPER_RIM_MM = 12.0  # white paper round a card's board
LEAST_MM2 = 90.0  # smallest tool, 3 x 30 mm


def papers_px(scene: Scene, photo: int) -> list[NDArray[np.float64]]:
    """The cards' papers in a photo, from the truth."""
    rings = []
    for card in scene.truth["cards"]:
        size = np.array(BOARD_MM) * [card["scale_x"], card["scale_y"]]
        turn = Motion(float(np.radians(card["angle_deg"])), tuple(card["origin_mm"]))
        board = Polygon(turn.points(np.array([[0, 0], [1, 0], [1, -1], [0, -1]]) * size))
        paper = board.buffer(PAPER_RIM_MM, join_style="mitre")
        rings.append(scene.views[photo].to_photo(shapely.get_coordinates(paper.exterior)))
    return rings


class Prepared:
    """A photo at working size, with what the recipes are told."""

    def __init__(self, scene: Scene, photo: int) -> None:
        self.full = read_photo(scene.photos[photo]).pixels
        scale = WORK_PX / max(self.full.shape)
        size = round(self.full.shape[1] * scale), round(self.full.shape[0] * scale)
        self.rgb = cv2.resize(self.full, size, interpolation=cv2.INTER_AREA)
        self.grey = cv2.GaussianBlur(cv2.cvtColor(self.rgb, cv2.COLOR_RGB2GRAY), (0, 0), 1.5)
        self.cards = np.zeros(self.grey.shape, np.uint8)
        rings = [np.round(r * scale).astype(np.int32) for r in papers_px(scene, photo)]
        for ring in rings:
            cv2.fillPoly(self.cards, [ring], 1)
        hull = cv2.convexHull(np.vstack(rings))
        self.inside = np.zeros(self.grey.shape, np.uint8)
        cv2.fillPoly(self.inside, [hull], 1)
        view = scene.views[photo]
        gsd = float(view.mm_per_px([view.nadir_mm])[0]) / scale
        self.least_px = LEAST_MM2 / gsd**2

    def free(self) -> NDArray[np.bool_]:
        """Between the cards and not on one."""
        return (self.inside > 0) & (self.cards == 0)

    def labels(self, mask: NDArray[np.bool_]) -> Labels:
        """Pieces of a mask that are large enough, at the photo's full size."""
        clean = ndimage.binary_opening(mask & (self.cards == 0), iterations=1)
        found, count = ndimage.label(clean)
        sizes = ndimage.sum_labels(clean, found, np.arange(1, count + 1))
        keep = np.zeros(count + 1, np.int32)
        large = np.flatnonzero(sizes >= self.least_px) + 1
        keep[large] = np.arange(1, len(large) + 1)
        height, width = self.full.shape[:2]
        return np.asarray(
            cv2.resize(
                keep[found].astype(np.float32), (width, height), interpolation=cv2.INTER_NEAREST
            ),
            np.int32,
        )


def threshold(p: Prepared) -> Labels:
    """Otsu's threshold between the cards; the rarer side is tool."""
    level, _ = cv2.threshold(p.grey[p.free()].reshape(-1, 1), 0, 255, cv2.THRESH_OTSU)
    dark = (p.grey <= level) & (p.inside > 0)
    if dark[p.free()].mean() > 0.5:
        dark = (p.grey > level) & (p.inside > 0)
    return p.labels(ndimage.binary_closing(dark, iterations=2))


def graph_cut(p: Prepared) -> Labels:
    """Graph cut from the rectangle round the cards, colour mixtures, five rounds."""
    ys, xs = np.nonzero(p.inside)
    mask = np.full(p.grey.shape, cv2.GC_BGD, np.uint8)
    box = (int(xs.min()), int(ys.min()), int(np.ptp(xs)), int(np.ptp(ys)))
    bgr = np.ascontiguousarray(p.rgb[..., ::-1])
    cv2.setRNGSeed(1)
    cv2.grabCut(bgr, mask, box, np.zeros((1, 65)), np.zeros((1, 65)), 5, cv2.GC_INIT_WITH_RECT)
    return p.labels(np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD)))


def watershed_on_gradients(p: Prepared) -> Labels:
    """Watershed of the gradient from sure ground and sure tool, by distance to the median grey."""
    away = np.abs(p.grey.astype(float) - np.median(p.grey[p.free()]))
    low, high = np.percentile(away[p.free()], [60, 92])
    markers = np.zeros(p.grey.shape, np.int32)
    markers[away < low] = 1
    markers[(away > high) & p.free()] = 2
    markers[p.inside == 0] = 1
    slope = np.hypot(cv2.Sobel(p.grey, cv2.CV_32F, 1, 0), cv2.Sobel(p.grey, cv2.CV_32F, 0, 1))
    return p.labels(watershed(slope, markers) == 2)


RECIPES: dict[str, Callable[[Prepared], Labels]] = {
    "threshold": threshold,
    "graph-cut": graph_cut,
    "watershed": watershed_on_gradients,
}


def ours(scene: Scene, photo: int, way: Way) -> Labels:
    """Calibration and separation as the product does them, drawn back into the photo."""
    picture = read_photo(scene.photos[photo])
    sizes = CardSizes(own_mm=dict(scene.card_sizes_mm))
    calibration = calibrate([picture], card_sizes=sizes)
    view = calibration.views[0]
    found = segment(
        picture,
        view,
        cards=[card.paper_mm for card in calibration.cards],
        hull=calibration.hull_mm,
        options=SegmentOptions(way=way),
    )
    labels = np.zeros(picture.pixels.shape[:2], np.int32)
    for number, silhouette in enumerate(found.silhouettes, start=1):
        rings = [
            np.round(view.to_photo(shapely.get_coordinates(ring)) * 16).astype(np.int32)
            for ring in (silhouette.region.exterior, *silhouette.region.interiors)
        ]
        cv2.fillPoly(labels, rings, number, shift=4)
    return labels


def run_one(scene: Scene, photo: int, recipe: str) -> None:
    """One photo by one recipe, in this process; labels and seconds go to stdout."""
    if recipe in set(Way):
        start = time.perf_counter()
        labels = ours(scene, photo, Way(recipe))
    else:
        prepared = Prepared(scene, photo)
        start = time.perf_counter()
        labels = RECIPES[recipe](prepared)
    seconds = time.perf_counter() - start
    np.savez_compressed(sys.stdout.buffer, labels=labels.astype(np.uint16), seconds=seconds)


def run_apart(scene: Scene, photo: int, recipe: str) -> dict[str, Any]:
    """One photo by one recipe, in a process of its own, scored."""
    command = [sys.executable, "-m", "tests.benchmarks.peers", str(scene.folder)]
    command += ["--child", recipe, str(photo)]
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen(command, stdout=out, stderr=subprocess.PIPE)
        message = child.stderr.read().decode("utf-8", "replace") if child.stderr else ""
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            return {"failed": next(reversed(message.strip().splitlines()), "")}
        out.seek(0)
        with np.load(out) as found:
            labels, seconds = found["labels"].astype(np.int64), float(found["seconds"])
    score = score_masks(labels, scene.labels(photo), scene.tools, photo)
    return {
        "counted": score.counted,
        "good": score.good,
        "missed": len(score.missed),
        "merged": score.merged,
        "invented": score.invented,
        "ious": score.ious,
        "boundary_fs": score.boundary_fs,
        "seconds": seconds,
        "peak_mb": usage.ru_maxrss / 1024,
    }


def table(records: dict[str, list[dict[str, Any]]]) -> str:
    """One line per recipe, as Markdown."""
    lines = [
        "| | tools | good | missed | merged | invented | IoU | F 2 px | s | MB |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for recipe, rows in records.items():
        done = [r for r in rows if "failed" not in r]
        if not done:
            continue
        sums = [sum(r[k] for r in done) for k in ("counted", "good", "missed", "merged")]
        ious = [v for r in done for v in r["ious"]] or [0.0]
        fs = [v for r in done for v in r["boundary_fs"]] or [0.0]
        lines.append(
            f"| {recipe} | {' | '.join(map(str, sums))} | {sum(r['invented'] for r in done)} "
            f"| {np.median(ious):.3f} | {np.median(fs):.3f} "
            f"| {np.median([r['seconds'] for r in done]):.1f} "
            f"| {max(r['peak_mb'] for r in done):.0f} |"
        )
        lines += [f"| | failed: {r['failed']} |" for r in rows if "failed" in r]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the comparison."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.peers")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--recipes", nargs="+", default=[*RECIPES, Way.AUTO, Way.CLASSICAL])
    parser.add_argument("--only", default="", help="scenes whose name holds this text")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    scenes = find_scenes(chosen.folders)
    if chosen.child:
        run_one(scenes[0], int(chosen.child[1]), chosen.child[0])
        return 0
    records: dict[str, list[dict[str, Any]]] = {recipe: [] for recipe in chosen.recipes}
    for scene in scenes:
        if scene.expected != "ok" or chosen.only not in scene.name:
            continue
        for recipe in chosen.recipes:
            found = run_apart(scene, 0, recipe)
            records[recipe].append({"scene": scene.name, **found})
            print(f"{scene.name} {recipe}: {_short(found)}", flush=True)
            if chosen.json:  # a long run that is stopped leaves what it has
                chosen.json.write_text(json.dumps(records, indent=1), "utf-8")
    print(table(records))
    return 0


def _short(found: dict[str, Any]) -> str:
    if "failed" in found:
        return str(found["failed"])
    return (
        f"good {found['good']} of {found['counted']}, missed {found['missed']}, "
        f"merged {found['merged']}, invented {found['invented']}"
    )


if __name__ == "__main__":
    raise SystemExit(main())
