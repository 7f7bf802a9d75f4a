"""Phone photos of one hand tool each, separated without any card.

    python -m tests.real.hand_tools FOLDER [--ways auto classical] [--only TEXT] [--long-mm MM]
        [--shrink N] [--pictures FOLDER]

FOLDER holds the photos and ``masks/``: reference masks of some (white = tool), good to about
4 px. No scale is in view: the photo's longer side is taken as `LONG_MM`, which fits hand tools
that fill two thirds of it.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image
from shapely.geometry import Polygon

from tracer.model.silhouette import Silhouette
from tracer.model.view import ScaledPicture
from tracer.photos import read_photo
from tracer.segmentation import SegmentOptions, Way, segment

__all__ = ["Separated", "overlap", "reference", "separate"]

Mask = NDArray[np.bool_]
LONG_MM = 300.0
UNSURE_PX = 4  # the reference's own doubt: a band as wide as this counts for neither


@dataclass(frozen=True, eq=False)
class Separated:
    """What was found on one photo."""

    name: str
    plane: ScaledPicture
    pixels: NDArray[np.uint8]
    silhouettes: tuple[Silhouette, ...]
    shrunk: int = 1

    @property
    def main(self) -> Silhouette:
        """The largest."""
        return max(self.silhouettes, key=lambda s: s.region.area)

    @property
    def loose_share(self) -> float:
        """Area outside the largest piece, as a share of all."""
        total = sum(s.region.area for s in self.silhouettes)
        return 1.0 - self.main.region.area / total

    def mask(self) -> Mask:
        """The largest piece in the photo at its full size."""
        height, width = (side * self.shrunk for side in self.pixels.shape[:2])
        canvas = np.zeros((height, width), np.uint8)
        cv2.fillPoly(canvas, self.rings(self.main.region, self.shrunk), 1, shift=4)
        return np.asarray(canvas > 0, np.bool_)

    def rings(self, region: Polygon, enlarged: int = 1) -> list[NDArray[np.int32]]:
        """Outer ring and holes in sixteenths of a pixel of the picture, enlarged."""
        rings = [shapely.get_coordinates(r) for r in (region.exterior, *region.interiors)]
        return [
            np.round(((self.plane.to_photo(r) + 0.5) * enlarged - 0.5) * 16).astype(np.int32)
            for r in rings
        ]


def separate(
    file: Path, *, way: Way = Way.AUTO, long_mm: float = LONG_MM, shrink: int = 1
) -> Separated:
    """Separate the tool of one photo at a guessed scale, ``shrink`` pixels a side made one."""
    photo = read_photo(file)
    height, width = (side // shrink for side in photo.pixels.shape[:2])
    pixels = photo.pixels[: height * shrink, : width * shrink]
    if shrink > 1:
        pixels = np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA))
        photo = replace(photo, pixels=pixels)
    plane = ScaledPicture(photo.photo_id, (width, height), long_mm / max(width, height))
    found = segment(photo, plane, options=SegmentOptions(way=way))
    return Separated(file.stem, plane, photo.pixels, found.silhouettes, shrink)


def reference(folder: Path, name: str) -> Mask | None:
    """The reference mask of a photo, where there is one."""
    file = folder / "masks" / f"{name}.png"
    if not file.exists():
        return None
    return np.asarray(Image.open(file).convert("L"), np.uint8) > 0


def overlap(found: Mask, true: Mask) -> float:
    """IoU outside the band in which the reference is unsure."""
    band = np.ones((2 * UNSURE_PX + 1,) * 2, np.uint8)
    edge = cv2.morphologyEx(true.astype(np.uint8), cv2.MORPH_GRADIENT, band) > 0
    both, either = found & true & ~edge, (found | true) & ~edge
    return float(both.sum() / max(either.sum(), 1))


def _fitting(found: Mask, true: Mask) -> Mask:
    """Padded by the few rows and columns that shrinking cut off."""
    missing = [(0, t - f) for t, f in zip(true.shape, found.shape, strict=True)]
    return np.pad(found, missing)


def draw(found: Separated, shrink: float = 0.4) -> NDArray[np.uint8]:
    """The photo with outer rings (magenta), holes (green) and lesser pieces (yellow), BGR."""
    picture = np.ascontiguousarray(found.pixels[..., ::-1])
    for silhouette in found.silhouettes:
        outer, *holes = found.rings(silhouette.region)
        colour = (255, 0, 255) if silhouette is found.main else (0, 255, 255)
        cv2.polylines(picture, [outer], True, colour, 5, shift=4)
        cv2.polylines(picture, holes, True, (0, 255, 0), 5, shift=4)
    return np.asarray(
        cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8
    )


def line(folder: Path, way: Way, found: Separated) -> str:
    """One row of the table."""
    if not found.silhouettes:
        return f"| {way} | {found.name} | 0 | | | | |"
    region, true = found.main.region, reference(folder, found.name)
    iou = "" if true is None else f"{overlap(_fitting(found.mask(), true), true):.3f}"
    return (
        f"| {way} | {found.name} | {len(found.silhouettes)} | {found.loose_share:.3f} "
        f"| {len(region.interiors)} | {found.main.confidence:.2f} | {iou} |"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line: a table, and pictures to look at."""
    parser = argparse.ArgumentParser(prog="python -m tests.real.hand_tools")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--ways", nargs="+", type=Way, default=[Way.AUTO])
    parser.add_argument("--only", default="", help="photos whose name holds this text")
    parser.add_argument("--long-mm", type=float, default=LONG_MM, help="photo's longer side")
    parser.add_argument("--shrink", type=int, default=1, help="pixels a side that become one")
    parser.add_argument("--pictures", type=Path)
    chosen = parser.parse_args(arguments)
    if chosen.pictures:
        chosen.pictures.mkdir(parents=True, exist_ok=True)
    print("| way | photo | pieces | share of lesser pieces | holes | confidence | IoU |")
    print("|---|---|---|---|---|---|---|")
    for way in chosen.ways:
        for file in sorted(chosen.folder.glob("*.jpg")):
            if chosen.only in file.stem:
                found = separate(file, way=way, long_mm=chosen.long_mm, shrink=chosen.shrink)
                print(line(chosen.folder, way, found), flush=True)
                if chosen.pictures and found.silhouettes:
                    cv2.imwrite(str(chosen.pictures / f"{way}-{file.stem}.jpg"), draw(found))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
