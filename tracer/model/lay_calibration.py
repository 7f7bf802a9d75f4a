"""What a job keeps of a lay's calibration: cameras, cards, how well they fit. The same for any lay.

A *calibration* holds what the stages need, covariances among it; this is the part that is shown,
compared and used again once the photos are traced.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tracer.model.scan_map import ScanMap
from tracer.model.view import View

__all__ = ["CardPlace", "LayCalibration", "PhotoCamera", "ScanPlace", "of_lay"]


@dataclass(frozen=True, kw_only=True)
class PhotoCamera:
    """The camera of one photo, in the letters of `tracer.model.view`.

    ``K`` (3, 3) px, ``dist`` k1, k2, p1, p2, k3, ``R`` (3, 3) and ``t`` (3,) mm, sheet to camera.
    """

    photo_id: str
    size_px: tuple[int, int]
    K: tuple[list[float], list[float], list[float]]
    dist: list[float]
    R: tuple[list[float], list[float], list[float]]
    t: list[float]
    name: str = ""
    camera_height_mm: float | None = None
    nadir_mm: tuple[float, float] | None = None
    tilt_deg: float | None = None

    def view(self) -> View:
        """The camera as the stages take it."""
        parts = (np.asarray(part, np.float64) for part in (self.K, self.dist, self.R, self.t))
        return View(self.photo_id, self.size_px, *parts)


@dataclass(frozen=True, kw_only=True)
class ScanPlace:
    """The map of a flatbed scan, in the letters of `tracer.model.scan_map`: ``to_px`` (2, 3)."""

    photo_id: str
    size_px: tuple[int, int]
    to_px: tuple[list[float], list[float]]
    name: str = ""

    def view(self) -> ScanMap:
        """The map as the stages take it."""
        return ScanMap(self.photo_id, self.size_px, np.asarray(self.to_px, np.float64))


@dataclass(frozen=True, kw_only=True)
class CardPlace:
    """Where a card's board lies (lower left corner, direction), and why it was left out if it was.

    A card that was used has a place; of one that was not, parts may be unknown (None).
    """

    number: int
    size_mm: tuple[float, float]
    x_mm: float | None
    y_mm: float | None
    angle_deg: float | None
    used: bool
    reason: str = ""
    rms_px: float | None = None


@dataclass(frozen=True, kw_only=True)
class LayCalibration:
    """One lay. All of it may be absent: outlines that were drawn have no camera.

    Attributes
    ----------
    photos, cards
        In the order of the photos and of the cards' numbers.
    scans
        The scan, in place of photos, of a lay that was scanned.
    hull
        Corners [x, y] of the convex hull of the cards, mm.
    sigma_px, rms_px, max_px
        Corner noise and residuals of the fit.
    scale_sigma
        Relative standard deviation of the print size.
    leave_one_out_mm
        Per card number, how far it lies from where the others put it.
    """

    photos: tuple[PhotoCamera, ...] = ()
    scans: tuple[ScanPlace, ...] = ()
    cards: tuple[CardPlace, ...] = ()
    hull: list[list[float]] = field(default_factory=list)
    sigma_px: float | None = None
    rms_px: float | None = None
    max_px: float | None = None
    scale_sigma: float | None = None
    leave_one_out_mm: dict[str, float | None] = field(default_factory=dict)

    @property
    def used_cards(self) -> dict[int, tuple[float, float, float, float]]:
        """Per number of a card that was used: x, y in mm, direction in rad, long side in mm."""
        return {
            c.number: (c.x_mm, c.y_mm, float(np.radians(c.angle_deg)), c.size_mm[0])
            for c in self.cards
            if c.used and c.x_mm is not None and c.y_mm is not None and c.angle_deg is not None
        }

    def camera(self, photo_id: str) -> PhotoCamera | None:
        """The camera of a photo, where the lay has it; a scan has none."""
        return next((p for p in self.photos if p.photo_id == photo_id), None)

    @property
    def pictures(self) -> tuple[PhotoCamera | ScanPlace, ...]:
        """Photos, or the scan."""
        return (*self.photos, *self.scans)

    def view(self, photo_id: str) -> View | ScanMap | None:
        """How a photo or a scan shows the sheet, where the lay has it."""
        return next((p.view() for p in self.pictures if p.photo_id == photo_id), None)

    @property
    def first_view(self) -> View | ScanMap | None:
        """How the first photo, or the scan, shows the sheet."""
        return next((p.view() for p in self.pictures), None)


def of_lay(lays: Sequence[LayCalibration], number: int) -> LayCalibration:
    """The lay of a number (from 1); an empty one where nothing is known of it."""
    return lays[number - 1] if 1 <= number <= len(lays) else LayCalibration()
