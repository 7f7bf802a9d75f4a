"""Things on real photos: found whole, or told of, or lost in silence.

    python -m tests.benchmarks.things FOLDER [--only TEXT] [--pictures FOLDER]

FOLDER holds ``things_on_cloth`` (``things.csv``: box of each thing in px, the side of a marker of
45 mm in px where there is one) and ``screws_ruler`` (``screws.csv``; 98.5 px are 10 mm of the ruler
in view). A thing is *whole* when one region's box overlaps its box by `WHOLE_IOU`; it is *told of*
when a finding points into its box, and else *lost in silence*.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import shapely
from shapely.geometry import Point, Polygon, box

from tests.benchmarks.intervals import share_words
from tracer.model.silhouette import Segmentation
from tracer.model.view import ScaledPicture
from tracer.photos import read_photo
from tracer.segmentation import SegmentOptions, segment

__all__ = ["Thing", "judged", "read_things"]

WHOLE_IOU = 0.8  # of boxes; a handle less is about a third
MARGIN_PX = 10.0  # boxes were drawn by eye
MARKER_MM, RULER_PX_PER_MM = 45.0, 9.85
USUAL_MM = 400.0  # longer side of a photo without any scale
#: findings that point at a place
POINTING = ("something-left-out", "stain-left-out", "outline-doubtful", "small-thing-left-out")


@dataclass(frozen=True)
class Thing:
    """A thing: its photo, its box in px (x0, y0, x1, y1), and the photo's scale or None."""

    photo: Path
    name: str
    box_px: tuple[float, float, float, float]
    mm_per_px: float | None


def read_things(folder: Path) -> list[Thing]:
    """All things listed under a folder of real photos."""
    found = []
    for where, name, scale in (
        ("things_on_cloth/things.csv", "thing", None),
        ("screws_ruler/screws.csv", "part", 1 / RULER_PX_PER_MM),
    ):
        file = folder / where
        if not file.exists():
            continue
        with file.open(encoding="utf-8", newline="") as lines:
            for row in csv.DictReader(lines):
                side = row.get("marker_side_px")
                mm = MARKER_MM / float(side) if side else scale
                corners = (float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"]))
                found.append(Thing(file.parent / row["photo"], row[name], corners, mm))
    return found


def judged(thing: Thing, found: Segmentation, plane: ScaledPicture) -> str:
    """``whole``, ``told of`` or ``silent``."""
    place = box(*thing.box_px)
    for silhouette in found.silhouettes:
        ring = plane.to_photo(shapely.get_coordinates(silhouette.region.exterior))
        seen = box(*Polygon(ring).bounds)
        if seen.intersection(place).area > WHOLE_IOU * seen.union(place).area:
            return "whole"
    near = place.buffer(MARGIN_PX)
    told = [c.where_mm for c in found.checks if c.slug in POINTING and c.where_mm is not None]
    if any(near.contains(Point(plane.to_photo([where])[0])) for where in told):
        return "told of"
    return "silent"


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.things")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="photos whose name holds this text")
    parser.add_argument("--pictures", type=Path, help="folder for the photos with edges drawn")
    chosen = parser.parse_args(arguments)
    things = [t for t in read_things(chosen.folder) if chosen.only in t.photo.name]
    verdicts: dict[Path, list[str]] = {}
    for file in dict.fromkeys(t.photo for t in things):
        photo = read_photo(file)
        mine = [t for t in things if t.photo == file]
        mm = mine[0].mm_per_px or USUAL_MM / max(photo.size_px)
        plane = ScaledPicture(photo.photo_id, photo.size_px, mm)
        found = segment(photo, plane, options=SegmentOptions())
        verdicts[file] = [judged(t, found, plane) for t in mine]
        for thing, verdict in zip(mine, verdicts[file], strict=True):
            told = [c.slug for c in found.checks]
            print(f"{file.name} {thing.name}: {verdict}; {len(found.silhouettes)} regions; {told}")
        if chosen.pictures:
            picture = np.ascontiguousarray(photo.pixels[..., ::-1])
            for s in found.silhouettes:
                ring = np.round(plane.to_photo(shapely.get_coordinates(s.region.exterior)))
                cv2.polylines(picture, [ring.astype(np.int32)], True, (255, 0, 255), 3)
            for c in found.checks:
                if c.where_mm is not None:
                    x, y = plane.to_photo([c.where_mm])[0]
                    cv2.circle(picture, (int(x), int(y)), 22, (0, 160, 255), 4)
            cv2.imwrite(str(chosen.pictures / f"{file.stem}.jpg"), picture)
    for what in ("whole", "told of", "silent"):
        counts = [(v.count(what), len(v)) for v in verdicts.values()]
        print(f"{what}: {share_words(counts)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
