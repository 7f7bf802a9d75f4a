"""What was seen and made no tool of, and why: nothing is dropped without a word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from scipy import ndimage

from tracer.model.report import Check, Severity
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["NEAR_MM", "LeftOut", "Reason", "left_out_checks", "things_in"]

NEAR_MM = 15.0  # pieces no farther apart are told as one thing


class Reason(StrEnum):
    """Why a thing was left out; the words end a sentence."""

    UNSURE = "it is not sure enough that it is a tool"
    SMALL = "it is smaller than any tool"
    CUT = "the photo's edge cuts it"
    PIECE = "it belongs to a tool beside it, but nothing joins the two"
    UNLIKE = "it does not look like the sheet, and no tool was found there"
    ROW = "the tool list has a tool there, but none was found"


@dataclass(frozen=True)
class LeftOut:
    """A thing that no outline was made of.

    Attributes
    ----------
    where_mm
        A place on it, sheet mm.
    size_mm
        Length and width of the smallest rectangle round it.
    reason
        Why.
    """

    where_mm: tuple[float, float]
    size_mm: tuple[float, float]
    reason: Reason


def things_in(
    cells: Mask,
    raster: Raster,
    reason: Reason,
    least_mm2: float = 0.0,
    unlike: Image | None = None,
    near_mm: float = NEAR_MM,
) -> list[LeftOut]:
    """The things that make up a mask; pieces near each other are one.

    ``unlike`` (rows, columns), where given, tells how much each cell differs from the sheet: the
    place told is then where it differs most, so that it lies on the thing and not on its shadow.
    """
    mm = raster.mm_per_cell
    if not cells.any():
        return []
    size = 2 * max(1, round(near_mm / 2 / mm)) + 1
    ball = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    joined = cv2.dilate(cells.astype(np.uint8), ball)
    labels, _ = ndimage.label(joined, np.ones((3, 3)))
    things = []
    for k, place in enumerate(ndimage.find_objects(labels), 1):
        rows, cols = np.nonzero((labels[place] == k) & cells[place])
        if len(rows) * mm * mm < least_mm2:
            continue
        points = np.column_stack([cols + place[1].start, rows + place[0].start])
        (_, (a, b), _) = cv2.minAreaRect(points.astype(np.float32))
        middle = points.mean(axis=0)
        away = np.sum((points - middle) ** 2, axis=1)
        if unlike is not None:
            most = unlike[points[:, 1], points[:, 0]]
            away = np.where(most >= 0.9 * most.max(), away, np.inf)
        on_it = points[np.argmin(away)]
        x, y = raster.to_sheet([on_it])[0]
        sides = sorted(((a + 1) * mm, (b + 1) * mm), reverse=True)
        things.append(LeftOut((float(x), float(y)), (float(sides[0]), float(sides[1])), reason))
    return things


def left_out_checks(things: Sequence[LeftOut], photo_name: str) -> list[Check]:
    """A finding for each thing: a note where it is smaller than a tool, else a warning."""
    return [_check(thing, photo_name) for thing in things]


def _check(thing: LeftOut, photo_name: str) -> Check:
    (x, y), (length, width) = thing.where_mm, thing.size_mm
    size = f", about {length:.0f} x {width:.0f} mm," if length else ""
    small = thing.reason is Reason.SMALL
    return Check(
        "small-thing-left-out" if small else "something-left-out",
        Severity.NOTE if small else Severity.WARN,
        f"In {photo_name}, something at ({x:.0f}, {y:.0f}) mm{size} was left "
        f"out: {thing.reason.value}.",
        "If it is a tool, name it in the tool list or mark it to be kept."
        if thing.reason is not Reason.CUT
        else "If it is a tool, take the photo again with the whole of it in view.",
        where_mm=(x, y),
    )
