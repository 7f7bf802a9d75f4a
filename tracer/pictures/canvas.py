"""Smooth lines, translucent areas and lettering on a picture.

Points are in pixels of the canvas, (0, 0) the centre of the upper left pixel. Lines are drawn
with sub-pixel ends (OpenCV, anti-aliased), letters with Pillow in a font that we ship.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont

from tracer.geometry.closed_rings import along
from tracer.pictures.palette import HALO, INK, PAPER, Colour

__all__ = ["Canvas", "font", "shorten"]

Array = NDArray[np.float64]
SHIFT = 4  # fractional bits of coordinates
ONE = 1 << SHIFT
FAR_PX = 20_000.0  # points farther out would overflow OpenCV's fixed point


@cache
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """The shipped font at a size in pixels."""
    data = files("tracer").joinpath("assets", "fonts", "DejaVuSans.ttf").read_bytes()
    return ImageFont.truetype(BytesIO(data), size_px)


def shorten(text: str, most: int) -> str:
    """One printable line of at most ``most`` characters.

    Examples
    --------
    >>> shorten("adjustable wrench 250", 12)
    'adjustable …'
    """
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= most else line[: most - 1] + "…"


class Canvas:
    """A picture that is being drawn on; ``pixels`` is (H, W, 3) uint8 RGB and is changed."""

    def __init__(self, pixels: NDArray[np.uint8]) -> None:
        self.pixels = np.ascontiguousarray(pixels)

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return int(self.pixels.shape[1]), int(self.pixels.shape[0])

    def line(
        self,
        points_px: ArrayLike,
        colour: Colour,
        width_px: int = 2,
        *,
        closed: bool = False,
        halo: bool = True,
    ) -> None:
        """A polyline through points (N, 2), on a dark halo that keeps it readable."""
        points = _fixed(points_px)
        if len(points) < 2:
            return
        if halo:
            cv2.polylines(
                self.pixels, [points], closed, HALO, width_px + 3, cv2.LINE_AA, shift=SHIFT
            )
        cv2.polylines(self.pixels, [points], closed, colour, width_px, cv2.LINE_AA, shift=SHIFT)

    def dashes(
        self,
        points_px: ArrayLike,
        colour: Colour,
        width_px: int = 2,
        *,
        dash_px: float = 14.0,
        gap_px: float = 10.0,
        closed: bool = False,
        halo: bool = True,
    ) -> None:
        """A dashed polyline."""
        points = np.asarray(points_px, np.float64).reshape(-1, 2)
        points = points[np.isfinite(points).all(axis=1)]
        if closed and len(points):
            points = np.vstack([points, points[:1]])
        if len(points) < 2:
            return
        arc = along(points)
        for start in np.arange(0.0, arc[-1], dash_px + gap_px):
            end = min(start + dash_px, arc[-1])
            inner = arc[(arc > start) & (arc < end)]
            where = np.concatenate([[start], inner, [end]])
            piece = np.column_stack([np.interp(where, arc, points[:, k]) for k in (0, 1)])
            self.line(piece, colour, width_px, halo=halo)

    def dot(self, centre_px: ArrayLike, radius_px: float, colour: Colour) -> None:
        """A filled disc on a halo."""
        (x, y) = _fixed(centre_px)[0].tolist()
        for r, c in ((radius_px + 1.5, HALO), (radius_px, colour)):
            cv2.circle(self.pixels, (x, y), round(r * ONE), c, -1, cv2.LINE_AA, SHIFT)

    def arrow(self, start_px: ArrayLike, end_px: ArrayLike, colour: Colour, width_px: int) -> None:
        """An arrow with a small head."""
        a, b = (np.asarray(p, np.float64) for p in (start_px, end_px))
        along = b - a
        length = float(np.linalg.norm(along))
        if not length > 1.0:
            return
        back = along / length * min(6.0, length / 2)
        side = np.array([-back[1], back[0]]) * 0.7
        pieces = np.stack([a, b]), np.stack([b - back + side, b, b - back - side])
        for halo in (True, False):  # all halos first, so that none crosses the arrow
            for piece in pieces:
                self.line(piece, HALO if halo else colour, width_px + 2 * halo, halo=False)

    def wash(self, rings_px: list[Array], colour: Colour, share: float) -> None:
        """Tint the area inside rings (even-odd: holes stay clear) by ``share`` of a colour."""
        rings = [ring for ring in map(_fixed, rings_px) if len(ring) > 2]
        if not rings:
            return
        all_points = np.vstack(rings) / ONE
        width, height = self.size_px
        x0, y0 = np.clip(np.floor(all_points.min(axis=0)), 0, [width, height]).astype(int)
        x1, y1 = np.clip(np.ceil(all_points.max(axis=0)) + 1, 0, [width, height]).astype(int)
        if x1 <= x0 or y1 <= y0:
            return
        part = self.pixels[y0:y1, x0:x1]
        mask = np.zeros(part.shape[:2], np.uint8)
        moved = [ring - np.array([x0, y0], np.int32) * ONE for ring in rings]
        cv2.fillPoly(mask, moved, 255, cv2.LINE_8, SHIFT)
        levels = np.arange(256, dtype=np.float64)[:, None]
        table = np.round(levels + share * (np.array(colour, np.float64) - levels))
        # a table look-up is many times faster here than mixing in floating point
        tinted = cv2.LUT(part, table.astype(np.uint8).reshape(256, 1, 3))
        cv2.copyTo(tinted, mask, part)

    def text_size(self, text: str, size_px: int) -> tuple[int, int]:
        """Width of a line of text, and its line height."""
        return round(font(size_px).getlength(text)), round(size_px * 1.25)

    def text(
        self,
        at_px: tuple[float, float],
        text: str,
        size_px: int,
        colour: Colour = INK,
        *,
        halo: bool = False,
    ) -> None:
        """A line of text; ``at_px`` is its upper left corner."""
        width, height = self.text_size(text, size_px)
        x0, y0 = max(int(at_px[0]) - 4, 0), max(int(at_px[1]) - 4, 0)
        x1 = min(int(at_px[0]) + width + 8, self.size_px[0])
        y1 = min(int(at_px[1]) + height + 8, self.size_px[1])
        if x1 <= x0 or y1 <= y0:
            return
        part = Image.fromarray(self.pixels[y0:y1, x0:x1])
        ImageDraw.Draw(part).text(
            (at_px[0] - x0, at_px[1] - y0),
            text,
            font=font(size_px),
            fill=colour,
            stroke_width=max(size_px // 10, 1) if halo else 0,
            stroke_fill=HALO,
        )
        self.pixels[y0:y1, x0:x1] = np.asarray(part)

    def plate(
        self, box_px: tuple[float, float, float, float], colour: Colour = PAPER, share: float = 0.9
    ) -> None:
        """A plate to write on: a tinted rectangle x0, y0, x1, y1."""
        x0, y0, x1, y1 = box_px
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)
        self.wash([corners], colour, share)

    def jpeg(self, quality: int = 88) -> bytes:
        """The picture as a JPEG file."""
        out = BytesIO()
        Image.fromarray(self.pixels).save(out, "JPEG", quality=quality, subsampling=0)
        return out.getvalue()


def _fixed(points_px: ArrayLike) -> NDArray[np.int32]:
    """Points in OpenCV's fixed point; those that no camera sees are dropped."""
    points = np.asarray(points_px, np.float64).reshape(-1, 2)
    points = points[np.isfinite(points).all(axis=1)]
    return np.round(np.clip(points, -FAR_PX, FAR_PX) * ONE).astype(np.int32)
