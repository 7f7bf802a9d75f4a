"""A photo cut into square tiles over all scales, so that 48 megapixels pan and zoom smoothly.

Level 0 is the photo itself; each level above has half the width and height, rounded up. Tile
(x, y) of level n covers the level's pixels from (x, y) times `TILE_PX`. The centre of photo pixel
(0, 0) lies half a pixel inside the first tile's corner at level 0.
"""

from __future__ import annotations

import math
from io import BytesIO
from threading import Lock

from PIL import Image

from tracer.model.photo import Photo

__all__ = ["TILE_PX", "TilePyramid", "level_count"]

TILE_PX = 512
QUALITY = 88


def level_count(size_px: tuple[int, int]) -> int:
    """Levels until the whole photo fits one tile.

    Examples
    --------
    >>> level_count((4032, 3024)), level_count((500, 300))
    (4, 1)
    """
    return max(0, math.ceil(math.log2(max(size_px) / TILE_PX))) + 1


class TilePyramid:
    """Tiles of one photo, cut when asked for. Safe to use from several threads."""

    def __init__(self, photo: Photo) -> None:
        self.photo = photo
        self._levels = [Image.fromarray(photo.pixels)]
        self._lock = Lock()

    def _level(self, number: int) -> Image.Image:
        with self._lock:
            while len(self._levels) <= number:
                # a box of 2 x 2 is the exact mean; an odd last row counts by itself
                self._levels.append(self._levels[-1].reduce(2))
            return self._levels[number]

    def tile(self, level: int, x: int, y: int) -> bytes:
        """JPEG bytes of a tile; at the right and lower rim it is smaller than the others.

        Raises
        ------
        IndexError
            Where there is no such tile.
        """
        if not 0 <= level < level_count(self.photo.size_px):
            raise IndexError(level)
        image = self._level(level)
        left, top = x * TILE_PX, y * TILE_PX
        if x < 0 or y < 0 or left >= image.width or top >= image.height:
            raise IndexError((x, y))
        box = (left, top, min(left + TILE_PX, image.width), min(top + TILE_PX, image.height))
        return self._jpeg(image.crop(box))

    def crop(self, box: tuple[int, int, int, int], longest_px: int) -> bytes:
        """JPEG bytes of a box (left, top, right, bottom in photo pixels), no larger than asked.

        What of the box lies beyond the photo is grey.

        Raises
        ------
        IndexError
            Where the box holds nothing of the photo, or is larger than it by far.
        """
        width, height = box[2] - box[0], box[3] - box[1]
        w, h = self.photo.size_px
        outside = box[2] <= 0 or box[3] <= 0 or box[0] >= w or box[1] >= h
        if min(width, height) < 1 or outside or max(width, height) > 2 * max(w, h):
            raise IndexError(box)
        level = 0
        while max(width, height) >> (level + 1) >= longest_px:
            level += 1
        image = self._level(level)
        scale = 2**level
        share = min(1.0, longest_px * scale / max(width, height))
        size = (max(1, round(width / scale * share)), max(1, round(height / scale * share)))
        # corner (0, 0) of every level is that of the photo, so a box is only scaled
        left, top, right, bottom = (v / scale for v in box)
        matrix = ((right - left) / size[0], 0.0, left, 0.0, (bottom - top) / size[1], top)
        part = image.transform(
            size, Image.Transform.AFFINE, matrix, Image.Resampling.BILINEAR, fillcolor=(90, 90, 90)
        )
        return self._jpeg(part)

    def _jpeg(self, image: Image.Image) -> bytes:
        out = BytesIO()
        image.save(out, "JPEG", quality=QUALITY, icc_profile=self.photo.icc_profile or b"")
        return out.getvalue()
