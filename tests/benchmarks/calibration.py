"""Calibration against exact truth: ``python -m tests.benchmarks.calibration FOLDER ...``.

Per scene: how a grid of points on the sheet, inside the cards' hull, comes out after one rigid
alignment; camera height and nadir; both also in units of the stated standard deviation. The
printed card size is passed as a maker would type it.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point

from tracer.calibration import CardSizes, calibrate
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.view import View
from tracer.photos import read_photo

Array = NDArray[np.float64]

BOARD_MM = (168.0, 112.0)


def true_views(truth: dict[str, Any]) -> list[View]:
    """Views of the truth, in its own sheet frame."""
    return [
        View(
            "", (p["width"], p["height"]), *[np.array(p[k], float) for k in ("K", "dist", "R", "t")]
        )
        for p in truth["photos"]
    ]


def align(source: Array, target: Array) -> tuple[Array, Array, float]:
    """Rotation (2, 2), shift (2,) and similarity scale of points onto points."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    u, s, vt = np.linalg.svd(b.T @ a)
    flip = np.diag([1.0, np.linalg.det(u @ vt)])
    rotation = u @ flip @ vt
    scale = float((s @ np.diag(flip)) / np.sum(a * a))
    return rotation, target.mean(axis=0) - rotation @ source.mean(axis=0), scale


def compare(
    calibration: Calibration, truths: list[View], spacing_mm: float = 25.0
) -> dict[str, Any]:
    """Errors of every photo's map and pose, one rigid alignment for the whole lay."""
    x0, y0, x1, y1 = calibration.hull_mm.bounds
    gx, gy = np.meshgrid(np.arange(x0, x1, spacing_mm), np.arange(y0, y1, spacing_mm))
    grid = np.column_stack([gx.ravel(), gy.ravel()])
    grid = grid[[calibration.hull_mm.contains(Point(p)) for p in grid]]
    found, true = [], []
    for view, truth in zip(calibration.views, truths, strict=True):
        true.append(truth.to_sheet(view.to_photo(grid)))
        found.append(grid)
    rotation, shift, scale = align(np.vstack(found), np.vstack(true))
    rows = []
    for k, (view, truth) in enumerate(zip(calibration.views, truths, strict=True)):
        error = (found[k] @ rotation.T + shift) - true[k]
        nadir = rotation @ view.nadir_mm + shift - truth.nadir_mm
        sigma = np.sqrt(np.diag(calibration.pose_cov[view.photo_id]))
        rows.append(
            {
                "map_rms_mm": float(np.sqrt(np.mean(np.sum(error**2, axis=1)))),
                "map_max_mm": float(np.linalg.norm(error, axis=1).max()),
                "map_z": float(
                    np.sqrt(np.mean(np.sum(error**2, axis=1)) / 2)
                    / np.sqrt(np.mean(calibration.sigma.at(found[k]) ** 2))
                ),
                "height_mm": view.height_mm - truth.height_mm,
                "height_z": (view.height_mm - truth.height_mm) / sigma[2],
                "nadir_mm": float(np.linalg.norm(nadir)),
                "nadir_z": float(np.linalg.norm(nadir) / np.hypot(sigma[0], sigma[1])),
                "focal_percent": 100 * (view.K[0, 0] / truth.K[0, 0] - 1),
            }
        )
    return {"scale_percent": 100 * (1 / scale - 1), "photos": rows}


def main() -> None:
    """Print one line per photo."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--single", action="store_true", help="every photo alone")
    arguments = parser.parse_args()
    cv2.setNumThreads(2)
    print(
        f"{'scene':26} {'cards':>5} {'scale %':>8} {'map rms':>7} {'max':>5} {'z':>4} "
        f"{'H err':>6} {'z':>5} {'nadir':>6} {'z':>4} {'f %':>6} {'rms px':>6} {'LOO':>5}  findings"
    )
    for truth_file in sorted(f for d in arguments.folders for f in d.rglob("truth.json")):
        truth = json.loads(truth_file.read_text("utf-8"))
        own = {
            c["number"]: (BOARD_MM[0] * c["scale_x"], BOARD_MM[1] * c["scale_y"])
            for c in truth["cards"]
        }
        photos = [read_photo(truth_file.parent / p["file"]) for p in truth["photos"]]
        views = true_views(truth)
        sets = [[k] for k in range(len(photos))] if arguments.single else [list(range(len(photos)))]
        for chosen in sets:
            name = truth_file.parent.name + (f"[{chosen[0] + 1}]" if len(sets) > 1 else "")
            began = time.perf_counter()
            try:
                calibration = calibrate(
                    [photos[k] for k in chosen], card_sizes=CardSizes(None, own)
                )
            except TracerError as error:
                print(f"{name:26} refused [{error.slug}] {error}")
                continue
            seconds = time.perf_counter() - began
            result = compare(calibration, [views[k] for k in chosen])
            slugs = ", ".join(f"{c.slug}:{c.subject_id}" for c in calibration.checks)
            for row in result["photos"]:
                print(
                    f"{name:26} {sum(c.used for c in calibration.cards):5d} "
                    f"{result['scale_percent']:8.4f} {row['map_rms_mm']:7.3f} "
                    f"{row['map_max_mm']:5.2f} {row['map_z']:4.1f} {row['height_mm']:6.1f} "
                    f"{row['height_z']:5.1f} {row['nadir_mm']:6.1f} {row['nadir_z']:4.1f} "
                    f"{row['focal_percent']:6.2f} {calibration.rms_px:6.3f} "
                    f"{max(calibration.leave_one_out_mm.values(), default=np.nan):5.2f}  "
                    f"{slugs} ({seconds:.1f} s)"
                )
                slugs = ""


if __name__ == "__main__":
    main()
