"""A photo as it enters the pipeline: upright pixels and what its file says of the lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.model.report import Check

__all__ = ["Photo"]


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo.

    Attributes
    ----------
    photo_id
        First 16 hexadecimal digits of the SHA-256 of the file's bytes.
    name
        File name without folder, for people.
    pixels
        ndarray of shape (H, W, 3), uint8, RGB, read-only, turned upright.
    focal_35mm
        35 mm equivalent focal length from EXIF (mm on the 43.267 mm diagonal), or None.
    camera_key
        Equal for photos taken with the same camera setting (model, focal length, pixel size);
        never shown to anyone.
    quarter_turns
        Number of counter-clockwise quarter turns that brought the stored picture upright.
    checks
        Findings made while reading.
    icc_profile
        Colour profile of the file. Edges are found in the numbers as they stand; pictures for
        people carry the profile along.
    dpi
        Pixels an inch along the upright picture's rows and columns as the file states them, or
        None. Of a photo they mean nothing.
    """

    photo_id: str
    name: str
    pixels: NDArray[np.uint8]
    focal_35mm: float | None
    camera_key: str = ""
    quarter_turns: int = 0
    checks: tuple[Check, ...] = ()
    icc_profile: bytes | None = None
    dpi: tuple[float, float] | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return int(self.pixels.shape[1]), int(self.pixels.shape[0])
