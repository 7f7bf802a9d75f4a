"""Small printed marks near a panel's corners: where they are stuck, and where a photo shows them.

The marks are of the cards' open dictionary (36h11) with ids that no card has: 576 lower left,
577 lower right, 578 upper right, 579 upper left. Every panel has the same four; which panel it is
tells the drawing. They are stuck on by hand, so they only bring the drawing near: walls place it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import cv2
import numpy as np
import shapely
import shapely.ops
from numpy.typing import NDArray
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import polygons_in
from tracer.inspection.camera import PanelCamera, from_points
from tracer.inspection.pattern import beside_pockets
from tracer.model.panel import Panel

__all__ = ["MARK_MM", "PAPER_MM", "MarkPlace", "cameras_by_marks", "find_marks", "mark_places"]

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

FIRST_ID = 576
#: side of the black square, eight cells; one cell of white paper around it
MARK_MM = 20.0
PAPER_MM = MARK_MM * 10 / 8
#: paper keeps off the rim and the walls: own choice, what a hand places without care
KEEP_OFF_MM = 4.0
#: a mark farther than this share of the panel's shorter side from its corner names no corner
FARTHEST = 0.4
#: of a corner's side, where the drawing says it should be: hands are a millimetre or two off
FITS = 0.35
MIN_SIDE_PX = 9
_MOST_PANELS = 4


@dataclass(frozen=True)
class MarkPlace:
    """Middle of a mark on the panel; it stands upright. ``corner`` is its name for people."""

    marker_id: int
    corner: str
    x_mm: float
    y_mm: float

    @property
    def corners_mm(self) -> Array:
        """Corners (4, 2) of the black square, upper left first, clockwise as seen."""
        h = MARK_MM / 2
        square = np.array([[-h, h], [h, h], [h, -h], [-h, -h]])
        return np.asarray(square + np.array([self.x_mm, self.y_mm]), np.float64)


def mark_places(panel: Panel) -> tuple[MarkPlace, ...]:
    """Where marks go: on bare face, each as near its corner as the pockets let it.

    A corner without room has none; two marks are enough.
    """
    half = PAPER_MM / 2
    taken: list[BaseGeometry] = [p.region for p in panel.pockets]
    taken += [n.region for p in panel.pockets for n in p.notches]
    taken += beside_pockets(panel)
    reach = half * np.sqrt(2) + KEEP_OFF_MM
    rim = panel.shape.buffer(-(half + KEEP_OFF_MM), join_style="mitre")
    # fixings are hidden by the foam, labels may be stuck over: neither is in the way
    free = rim.difference(shapely.union_all(taken).buffer(reach)) if taken else rim
    x0, y0, x1, y1 = panel.shape.bounds
    corners = (("lower left", x0, y0), ("lower right", x1, y0), ("upper right", x1, y1),
               ("upper left", x0, y1))  # fmt: skip
    places: list[MarkPlace] = []
    for number, (name, x, y) in enumerate(corners):
        if not polygons_in(free):
            break
        at = shapely.ops.nearest_points(free, Point(x, y))[0]
        if Point(x, y).distance(at) <= FARTHEST * min(x1 - x0, y1 - y0) + reach:
            place = MarkPlace(FIRST_ID + number, name, round(at.x, 1), round(at.y, 1))
            if all(np.hypot(place.x_mm - p.x_mm, place.y_mm - p.y_mm) > 3 * PAPER_MM
                   for p in places):  # fmt: skip
                places.append(place)
    return tuple(places)


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    ours = family.bytesList[FIRST_ID : FIRST_ID + 4]
    return cv2.aruco.Dictionary(ours, 6, family.maxCorrectionBits)


def find_marks(grey: Grey) -> tuple[Array, NDArray[np.intp]]:
    """Corners (M, 4, 2) in px, upper left first, and ids (M,) of the marks in a grey picture."""
    corners: list[Array] = []
    ids: list[int] = []
    coarse, fine = (1.0, 2.0) if grey.size <= 4_000_000 else (0.5, 1.0)
    # white paper on a dark face is burnt out and eats into the black cells: the last look thins it
    for scale, thinned in ((coarse, 0), (fine, 0), (fine, 3), (fine, 5)):
        if len(set(ids)) == 4:
            break
        for quad, name in zip(*_detected(grey, scale, thinned), strict=True):
            side = float(np.linalg.norm(quad[0] - quad[2]))
            known = [
                k for k, other in enumerate(corners)
                if ids[k] == name and np.linalg.norm(quad.mean(0) - other.mean(0)) < side
            ]  # fmt: skip
            if not known:
                corners.append(quad)
                ids.append(int(name))
    return np.array(corners).reshape(-1, 4, 2), np.array(ids, np.intp)


def _detected(grey: Grey, scale: float, thinned: int) -> tuple[Array, NDArray[np.intp]]:
    resized = grey
    if scale != 1:
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        resized = np.asarray(
            cv2.resize(grey, None, fx=scale, fy=scale, interpolation=how), np.uint8
        )
    if thinned:
        resized = np.asarray(cv2.erode(resized, np.ones((thinned, thinned), np.uint8)), np.uint8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 4 * MIN_SIDE_PX / max(resized.shape)
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), parameters).detectMarkers(resized)
    if ids is None or not len(found):
        return np.empty((0, 4, 2)), np.empty(0, np.intp)
    factors = np.array(grey.shape[::-1]) / np.array(resized.shape[::-1])
    quads = (np.asarray(found, np.float64).reshape(-1, 4, 2) + 0.5) * factors - 0.5
    return quads, np.asarray(FIRST_ID + np.ravel(ids), np.intp)


def cameras_by_marks(
    corners_px: Array,
    ids: NDArray[np.intp],
    places: Sequence[MarkPlace],
    size_px: tuple[int, int],
    panel_mm: tuple[float, float],
    focal_px: float,
) -> list[PanelCamera]:
    """Cameras that put a panel's marks where the photo has them, the best first.

    Each photographed mark serves one of them; a panel needs two or more.
    """
    by_id = {p.marker_id: p for p in places}
    choices: list[list[int | None]] = [
        [*np.flatnonzero(ids == i).tolist()[:_MOST_PANELS], None] for i in by_id
    ]
    fits: list[tuple[int, float, tuple[int, ...], PanelCamera]] = []
    for chosen in product(*choices):
        used = tuple(int(k) for k in chosen if k is not None)
        if len(used) < 2:
            continue
        mm = np.concatenate([by_id[int(ids[k])].corners_mm for k in used])
        px = corners_px[list(used)].reshape(-1, 2)
        camera = from_points(mm, px, size_px, panel_mm, focal_px)
        if camera is None:
            continue
        error = np.linalg.norm(camera.to_photo(mm) - px, axis=1).reshape(-1, 4).mean(axis=1)
        side = np.linalg.norm(corners_px[list(used)][:, 0] - corners_px[list(used)][:, 1], axis=1)
        if float((error / side).max()) < FITS:
            fits.append((len(used), float((error / side).mean()), used, camera))
    fits.sort(key=lambda fit: (-fit[0], fit[1]))
    taken: set[int] = set()
    cameras = []
    for _, _, used, camera in fits:
        if not taken & set(used):
            taken |= set(used)
            cameras.append(camera)
    return cameras
