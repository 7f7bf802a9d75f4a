"""Settings and makers' corrections of the segmentation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Correction", "Frame", "Mark", "SegmentOptions", "Way"]


class Way(StrEnum):
    """Who decides what is tool: a fitted sheet model, the shipped network, or what suits best."""

    AUTO = "auto"
    CLASSICAL = "classical"
    LEARNED = "learned"


class Mark(StrEnum):
    """What a correction asks for."""

    KEEP = "keep"  # the region round the point is a tool
    DROP = "drop"  # what lies at the point is not a tool
    SPLIT = "split"  # part two tools along the line


class Frame(StrEnum):
    """In which frame a correction's points are given."""

    SHEET = "sheet"  # mm
    PHOTO = "photo"  # px of the upright photo named by ``photo_id``


@dataclass(frozen=True)
class Correction:
    """One correction by hand.

    Attributes
    ----------
    mark
        What to do.
    points
        One point for keep and drop, two or more for split.
    frame
        Sheet mm, or px of one photo.
    photo_id
        The photo that px belong to; corrections of other photos are skipped.
    """

    mark: Mark
    points: tuple[tuple[float, float], ...]
    frame: Frame = Frame.SHEET
    photo_id: str | None = None


@dataclass(frozen=True, kw_only=True)
class SegmentOptions:
    """How to segment.

    Attributes
    ----------
    cell_mm
        Cell of the working picture; made coarser only where the lay is huge.
    step_mm
        Spacing of the measured edge points.
    smallest_mm
        Width and length of the smallest tool.
    smallest_hole_mm
        A hole of less than this diameter is filled.
    cables
        Keep cables, as silhouettes of their own kind.
    way
        Classical, learned, or auto.
    plain_ground
        All that looks like the ground and opens on it is ground: a scanner's lid.
    """

    cell_mm: float = 1.0
    step_mm: float = 1.5
    smallest_mm: tuple[float, float] = (3.0, 30.0)
    smallest_hole_mm: float = 4.0
    cables: bool = True
    way: Way = Way.AUTO
    plain_ground: bool = False

    @classmethod
    def of_scan(cls, way: Way) -> SegmentOptions:
        """For a flatbed scan: parts are smaller than tools, and seen several times as finely.

        Of 160 rendered parts, discs of 5 mm the smallest, the networks find 152 in cells of 0.6 mm,
        155 in cells of 0.5 mm and all in cells of 0.4 mm. Edges measured every half millimetre
        follow a bend of 3 mm radius to 0.01 mm (its sagitta).
        """
        return cls(
            cell_mm=0.4,
            step_mm=0.5,
            smallest_mm=(1.5, 6.0),
            smallest_hole_mm=2.0,
            way=way,
            plain_ground=True,
        )
