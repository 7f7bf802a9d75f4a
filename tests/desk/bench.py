"""Job folders for tests of the desk, made from sample scenes with known truth.

Edges as seen come from the scene's label picture, outlines, cards and cameras from its truth, so
that looking and correcting can be tested without running the stages.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from shapely.geometry import Point, Polygon
from skimage.measure import find_contours

from tracer.model.lay_calibration import CardPlace, LayCalibration, PhotoCamera
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.model.tool_list import ToolRow
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.silhouettes_file import SeenEdge, dump_silhouettes
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.job.job_files import inputs_digest

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"


def seed_job(path: Path, scene: str = "drawer", *, shrink: int = 3, most: int = 99) -> JobFolder:
    """A job folder as a run over the first photo of a sample scene would leave it.

    The photo is made smaller by default, so that runs behind a test's back cost little. ``most``
    tools are seen.
    """
    folder = JobFolder(path)
    with folder.locked():
        folder.commit(_files(scene, shrink, most))
    return folder


@cache
def _files(scene: str, shrink: int, most: int) -> dict[str, bytes]:
    home = SAMPLES / scene
    truth = json.loads((home / "truth.json").read_text("utf-8"))
    photo = _shrunk(truth["photos"][0], shrink)
    data = _photo(home / photo["file"], shrink)
    photo_id = hashlib.sha256(data).hexdigest()[:16]
    # centres of 3 x 3 blocks: a shrunk pixel is the mean of such a block
    labels = np.asarray(Image.open(home / photo["label"]))[
        shrink // 2 :: shrink, shrink // 2 :: shrink
    ]
    rows = tuple(
        replace(row, x_px=_to_small(row.x_px, shrink), y_px=_to_small(row.y_px, shrink))
        for row in parse_tool_list((home / "tools.csv").read_bytes(), "tools.csv").rows
    )
    outlines, edges = [], []
    for number, tool in enumerate(truth["tools"][:most], start=1):
        ring = _contour(labels == number)
        if ring is None:
            continue
        region = Polygon(tool["outline"]["exterior"], tool["outline"]["holes"])
        outlines.append(_outline(tool, region, ring, photo_id, _row_of(rows, ring)))
        confidence = np.full(len(ring), 0.9)
        confidence[: len(ring) // 12] = 0.3
        edges.append(SeenEdge(f"S{number:02d}", tool["id"], ring, (), 0.93, confidence))
    tools = parse_tool_list(format_tool_list(ToolList(rows)), "tools.csv")
    lay = LayRecord(photos=(PhotoRecord("photos/lay1-1.jpg", photo["file"], photo_id),))
    lay = LayRecord(photos=lay.photos, traced=inputs_digest(lay, 1, tools))
    checks = (
        Check("height-unknown", Severity.WARN, "T03 has no height.", "Type it.", subject_id="T03"),
        Check("photo-no-focal-length", Severity.NOTE, "The photo does not say its focal length."),
    )
    content = OutlinesFile(
        tuple(outlines),
        (_calibration(truth, photo, photo_id),),
        checks,
        {o.outline_id: 1 for o in outlines},
    )
    return {
        "job.json": dump_job(JobRecord(lays=(lay,), next_outline=len(outlines) + 1)),
        "outlines.json": dump_outlines(content),
        "silhouettes.json": dump_silhouettes({photo_id: tuple(edges)}),
        "tools.csv": format_tool_list(tools),
        "photos/lay1-1.jpg": data,
    }


def _to_small(value_px: float, shrink: int) -> float:
    """A pixel coordinate in the shrunk photo; centres are whole numbers in both."""
    return (value_px + 0.5) / shrink - 0.5


def _shrunk(photo: dict[str, Any], shrink: int) -> dict[str, Any]:
    """The truth of a photo, for its shrunk copy."""
    (fx, skew, cx), (_, fy, cy), last = photo["K"]
    return {
        **photo,
        "width": photo["width"] // shrink,
        "height": photo["height"] // shrink,
        "K": [
            [fx / shrink, skew / shrink, _to_small(cx, shrink)],
            [0.0, fy / shrink, _to_small(cy, shrink)],
            last,
        ],
    }


def _photo(path: Path, shrink: int) -> bytes:
    if shrink == 1:
        return path.read_bytes()
    with Image.open(path) as image:
        exif = image.getexif()
        out = io.BytesIO()
        image.reduce(shrink).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


def _contour(mask: np.ndarray[Any, Any]) -> np.ndarray[Any, Any] | None:
    if not mask.any():
        return None
    ys, xs = np.nonzero(mask)
    y0, x0 = ys.min() - 2, xs.min() - 2
    part = np.pad(mask, 2)[y0 + 2 : ys.max() + 5, x0 + 2 : xs.max() + 5].astype(float)
    rings = find_contours(part, 0.5)
    longest = max(rings, key=len)
    return np.asarray(longest[:-1, ::-1] + [x0, y0], np.float64)


def _row_of(rows: Sequence[ToolRow], ring: np.ndarray[Any, Any]) -> ToolRow:
    shape = Polygon(ring)
    return min(rows, key=lambda r: shape.distance(Point(r.x_px, r.y_px)))


def _outline(
    tool: dict[str, Any],
    region: Polygon,
    ring: np.ndarray[Any, Any],
    photo_id: str,
    row: ToolRow,
) -> Outline:
    inside = Polygon(ring).buffer(0).representative_point()
    return Outline(
        outline_id=tool["id"],
        name=row.name or tool["id"],
        region=region,
        height_mm=row.height_mm or 0.0,
        height_source=HeightSource.TYPED,
        method=EdgeModel.MID,
        sigma_mm=0.28,
        sigma_ring_mm=np.full(len(region.exterior.coords) - 1, 0.28),
        bias_bound_mm=0.4,
        confidence=0.93,
        photo_ids=(photo_id,),
        point_px=(round(inside.x, 1), round(inside.y, 1)),
    )


def _calibration(truth: dict[str, Any], photo: dict[str, Any], photo_id: str) -> LayCalibration:
    cards = []
    for card in truth["cards"]:
        angle = math.radians(card["angle_deg"])
        width = 112.0 * card["scale_y"]  # the truth names the upper left corner, we the lower left
        x = card["origin_mm"][0] + width * math.sin(angle)
        y = card["origin_mm"][1] - width * math.cos(angle)
        cards.append(
            CardPlace(
                number=card["number"],
                size_mm=(168.0 * card["scale_x"], 112.0 * card["scale_y"]),
                x_mm=x,
                y_mm=y,
                angle_deg=math.degrees(angle),
                used=True,
                rms_px=0.09,
            )
        )
    camera = PhotoCamera(
        photo_id=photo_id,
        name=photo["file"],
        size_px=(photo["width"], photo["height"]),
        **{k: photo[k] for k in ("K", "dist", "R", "t", "camera_height_mm", "tilt_deg")},
        nadir_mm=photo["nadir_mm"],
    )
    hull = Polygon([[c.x_mm, c.y_mm] for c in cards]).convex_hull
    return LayCalibration(
        photos=(camera,),
        cards=tuple(cards),
        hull=np.asarray(hull.exterior.coords)[:-1].tolist(),
        rms_px=0.09,
        max_px=0.31,
        sigma_px=0.06,
        scale_sigma=0.0004,
    )
