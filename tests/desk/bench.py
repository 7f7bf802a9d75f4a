"""Job folders for tests of the desk, made from sample scenes with known truth.

Edges as seen come from the scene's label picture, outlines, cards and cameras from its truth, so
that looking and correcting can be tested without running the stages.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from shapely.geometry import Polygon
from skimage.measure import find_contours

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.silhouettes_file import SeenEdge, dump_silhouettes
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.job_files import inputs_digest

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"


def seed_job(path: Path, scene: str = "drawer") -> JobFolder:
    """A job folder as a run over the first photo of a sample scene would leave it."""
    folder = JobFolder(path)
    with folder.locked():
        folder.commit(_files(scene))
    return folder


@cache
def _files(scene: str) -> dict[str, bytes]:
    home = SAMPLES / scene
    truth = json.loads((home / "truth.json").read_text("utf-8"))
    photo = truth["photos"][0]
    data = (home / photo["file"]).read_bytes()
    photo_id = hashlib.sha256(data).hexdigest()[:16]
    labels = np.asarray(Image.open(home / photo["label"]))
    outlines, edges = [], []
    for number, tool in enumerate(truth["tools"], start=1):
        ring = _contour(labels == number)
        if ring is None:
            continue
        region = Polygon(tool["outline"]["exterior"], tool["outline"]["holes"])
        row = _row_of(home, ring)
        outlines.append(_outline(tool, region, ring, photo_id, row))
        confidence = np.full(len(ring), 0.9)
        confidence[: len(ring) // 12] = 0.3
        edges.append(SeenEdge(f"S{number:02d}", tool["id"], ring, (), 0.93, confidence))
    rows = parse_tool_list((home / "tools.csv").read_bytes(), "tools.csv").rows
    tools = parse_tool_list(format_tool_list(ToolList(rows)), "tools.csv")
    lay = LayRecord(photos=(PhotoRecord("photos/lay1-1.jpg", photo["file"], photo_id),))
    lay = LayRecord(photos=lay.photos, traced=inputs_digest(lay, 1, tools))
    checks = (
        Check("height-unknown", Severity.WARN, "T03 has no height.", "Type it.", subject_id="T03"),
        Check("photo-no-focal-length", Severity.NOTE, "The photo does not say its focal length."),
    )
    content = OutlinesFile(tuple(outlines), _calibration(truth, photo, photo_id), checks)
    content = OutlinesFile(
        content.outlines, content.calibration, checks, {o.outline_id: 1 for o in outlines}
    )
    return {
        "job.json": dump_job(JobRecord(lays=(lay,), next_outline=len(outlines) + 1)),
        "outlines.json": dump_outlines(content),
        "silhouettes.json": dump_silhouettes({photo_id: tuple(edges)}),
        "tools.csv": format_tool_list(tools),
        "photos/lay1-1.jpg": data,
    }


def _contour(mask: np.ndarray[Any, Any]) -> np.ndarray[Any, Any] | None:
    if not mask.any():
        return None
    ys, xs = np.nonzero(mask)
    y0, x0 = ys.min() - 2, xs.min() - 2
    part = np.pad(mask, 2)[y0 + 2 : ys.max() + 5, x0 + 2 : xs.max() + 5].astype(float)
    rings = find_contours(part, 0.5)
    longest = max(rings, key=len)
    return np.asarray(longest[:-1, ::-1] + [x0, y0], np.float64)


def _row_of(home: Path, ring: np.ndarray[Any, Any]) -> dict[str, str]:
    from shapely.geometry import Point

    with (home / "tools.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    shape = Polygon(ring)
    return min(rows, key=lambda r: shape.distance(Point(float(r["x_px"]), float(r["y_px"]))))


def _outline(
    tool: dict[str, Any],
    region: Polygon,
    ring: np.ndarray[Any, Any],
    photo_id: str,
    row: dict[str, str],
) -> Outline:
    inside = Polygon(ring).buffer(0).representative_point()
    return Outline(
        outline_id=tool["id"],
        name=row["name"],
        region=region,
        height_mm=float(row["height_mm"]),
        height_source=HeightSource.TYPED,
        method=EdgeModel.MID,
        sigma_mm=0.28,
        sigma_ring_mm=np.full(len(region.exterior.coords) - 1, 0.28),
        bias_bound_mm=0.4,
        confidence=0.93,
        photo_ids=(photo_id,),
        point_px=(round(inside.x, 1), round(inside.y, 1)),
    )


def _calibration(truth: dict[str, Any], photo: dict[str, Any], photo_id: str) -> dict[str, Any]:
    cards = []
    for card in truth["cards"]:
        angle = math.radians(card["angle_deg"])
        width = 112.0 * card["scale_y"]  # the truth names the upper left corner, we the lower left
        x = card["origin_mm"][0] + width * math.sin(angle)
        y = card["origin_mm"][1] - width * math.cos(angle)
        cards.append(
            {
                "number": card["number"],
                "size_mm": [168.0 * card["scale_x"], 112.0 * card["scale_y"]],
                "x_mm": x,
                "y_mm": y,
                "angle_deg": math.degrees(angle),
                "used": True,
                "reason": "",
                "rms_px": 0.09,
            }
        )
    hull = [[c["x_mm"], c["y_mm"]] for c in cards]
    return {
        "photos": [
            {
                "photo_id": photo_id,
                "name": photo["file"],
                "size_px": [photo["width"], photo["height"]],
                **{k: photo[k] for k in ("K", "dist", "R", "t", "camera_height_mm", "tilt_deg")},
                "nadir_mm": photo["nadir_mm"],
            }
        ],
        "cards": cards,
        "hull": np.asarray(Polygon(hull).convex_hull.exterior.coords)[:-1].tolist(),
        "rms_px": 0.09,
        "max_px": 0.31,
        "sigma_px": 0.06,
        "scale_sigma": 0.0004,
        "leave_one_out_mm": {},
    }
