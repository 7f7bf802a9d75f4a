"""Photos to be separated by any way, and what is known of each.

Every case hands out the labels that our own ways find (`separated`), what a simple recipe is told
(`hints`), and scores labels (0 = no tool) at the photo's full size. Three kinds: rendered lays with
exact truth, coins of legal diameter, and single hand tools.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon

from tests.benchmarks.coins import (
    CELL_MM,
    FITTED,
    LEAST_IOU,
    SMALLEST_MM,
    STEP_MM,
    Coin,
    fit_diameters,
    plane_of,
    read_coins,
    rough_scale,
)
from tests.benchmarks.masks import score_masks
from tests.benchmarks.recipes import Hints, Labels
from tests.benchmarks.truth import BOARD_MM, Scene
from tests.real.hand_tools import LONG_MM, overlap, reference
from tracer.calibration import CardSizes, calibrate
from tracer.geometry.compare import Motion
from tracer.model.silhouette import Silhouette
from tracer.model.view import PlaneMap, ScaledPicture
from tracer.photos import read_photo
from tracer.segmentation import SegmentOptions, Way, segment

__all__ = ["Case", "CoinCase", "HandToolCase", "LayCase", "case_of", "painted"]

Array = NDArray[np.float64]
PAPER_RIM_MM = 12.0  # white paper round a card's board
LEAST_MM2 = 90.0  # smallest tool, 3 x 30 mm
TOOLS_SHOWN = 1  # on each photo of hand tools: looked through one by one


class Case(Protocol):
    """One photo."""

    @property
    def name(self) -> str: ...
    @property
    def photo(self) -> Path: ...
    @property
    def address(self) -> list[str]:
        """Words from which `case_of` makes the case again in another process."""
        ...

    def hints(self) -> Hints: ...
    def separated(self, way: Way) -> Labels: ...
    def score(self, labels: Labels) -> dict[str, Any]: ...


def case_of(kind: str, folder: str, which: str) -> Case:
    """The case with an address."""
    if kind == "lay":
        return LayCase(Scene(Path(folder)), int(which))
    return {"coins": CoinCase, "tool": HandToolCase}[kind](Path(folder), which)


def painted(silhouettes: Sequence[Silhouette], plane: PlaneMap, size_px: tuple[int, int]) -> Labels:
    """Labels of silhouettes in the photo: the pixels whose centres lie within."""
    labels = np.zeros(size_px[::-1], np.int32)
    for number, silhouette in enumerate(silhouettes, start=1):
        outer, *holes = (
            plane.to_photo(shapely.get_coordinates(ring))
            for ring in (silhouette.region.exterior, *silhouette.region.interiors)
        )
        canvas = np.zeros(labels.shape, np.uint8)
        rings = [np.round(ring * 16).astype(np.int32) for ring in (outer, *holes)]
        cv2.fillPoly(canvas, rings, 1, shift=4)  # takes every pixel that the edge touches
        framed = cv2.copyMakeBorder(canvas, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=0)
        edge = cv2.morphologyEx(framed, cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8))
        rows, cols = np.nonzero(edge[2:-2, 2:-2])
        region = Polygon(outer, holes).buffer(0)
        shapely.prepare(region)
        canvas[rows, cols] = shapely.contains_xy(region, cols, rows)
        labels[canvas > 0] = number
    return labels


@dataclass(frozen=True, eq=False)
class LayCase:
    """A rendered lay with cards: photo, true camera and label map."""

    scene: Scene
    index: int = 0

    @property
    def name(self) -> str:
        return self.scene.name

    @property
    def photo(self) -> Path:
        return self.scene.photos[self.index]

    @property
    def address(self) -> list[str]:
        return ["lay", str(self.scene.folder), str(self.index)]

    def hints(self) -> Hints:
        """The cards' papers and the smallest tool's area."""
        view = self.scene.views[self.index]
        gsd = float(view.mm_per_px([view.nadir_mm])[0])
        rings = []
        for card in self.scene.truth["cards"]:
            size = np.array(BOARD_MM) * [card["scale_x"], card["scale_y"]]
            turn = Motion(float(np.radians(card["angle_deg"])), tuple(card["origin_mm"]))
            board = Polygon(turn.points(np.array([[0, 0], [1, 0], [1, -1], [0, -1]]) * size))
            paper = board.buffer(PAPER_RIM_MM, join_style="mitre")
            rings.append(view.to_photo(shapely.get_coordinates(paper.exterior)))
        return Hints(LEAST_MM2 / gsd**2, tuple(rings))

    def separated(self, way: Way) -> Labels:
        """Cards found, camera solved and tools separated as the product does it."""
        picture = read_photo(self.photo)
        sizes = CardSizes(own_mm=dict(self.scene.card_sizes_mm))
        calibration = calibrate([picture], card_sizes=sizes)
        view = calibration.views[0]
        found = segment(
            picture,
            view,
            cards=[card.paper_mm for card in calibration.cards],
            hull=calibration.hull_mm,
            options=SegmentOptions(way=way),
        )
        return painted(found.silhouettes, view, picture.size_px)

    def score(self, labels: Labels) -> dict[str, Any]:
        """Counts, overlap and distances, through the true camera."""
        scene, view = self.scene, self.scene.views[self.index]
        score = score_masks(labels, scene.labels(self.index), scene.tools, self.index, view)
        return {
            "tools": score.counted,
            "good": score.good,
            "missed": len(score.missed),
            "merged": score.merged,
            "invented": score.invented,
            "ious": score.ious,
            "boundary_fs": score.boundary_fs,
            "means_mm": [d.mean_mm for d in score.distances],
            "p95s_mm": [d.p95_mm for d in score.distances],
        }


@dataclass(frozen=True, eq=False)
class CoinCase:
    """A photo of coins, no card in view; scale and tilt come from the coins themselves."""

    folder: Path
    name: str

    @property
    def photo(self) -> Path:
        return self.folder / self.name

    @property
    def address(self) -> list[str]:
        return ["coins", str(self.folder), self.name]

    @cached_property
    def coins(self) -> tuple[Coin, ...]:
        return read_coins(self.folder / "coins.csv")[self.name]

    def hints(self) -> Hints:
        """The smallest coin's area, all but a little."""
        return Hints(float(np.prod(SMALLEST_MM)) / rough_scale(self.coins) ** 2)

    def separated(self, way: Way) -> Labels:
        """As the benchmark of coins does it."""
        picture = read_photo(self.photo)
        plane = plane_of(picture, self.coins)
        options = SegmentOptions(way=way, cell_mm=CELL_MM, step_mm=STEP_MM, smallest_mm=SMALLEST_MM)
        return painted(segment(picture, plane, options=options).silhouettes, plane, picture.size_px)

    def score(self, labels: Labels) -> dict[str, Any]:
        """Coins found each by itself, and what is left of their diameters after the fit."""
        ys, xs = np.mgrid[: labels.shape[0], : labels.shape[1]]
        discs = [
            (xs - c.middle_px[0]) ** 2 + (ys - c.middle_px[1]) ** 2 < c.rough_radius_px**2
            for c in self.coins
        ]
        count = int(labels.max())
        masks = [ndimage.binary_fill_holes(labels == k + 1) for k in range(count)]
        covers = np.zeros((len(discs), count), np.bool_)
        touched = np.zeros((len(discs), count), np.bool_)
        for i, disc in enumerate(discs):
            inside = np.bincount(labels[disc], minlength=count + 1)[1:]
            touched[i] = inside > LEAST_IOU * disc.sum()
            for k in np.flatnonzero(inside):
                covers[i, k] = (masks[k] & disc).sum() > LEAST_IOU * (masks[k] | disc).sum()
        pairs = [(i, int(np.argmax(row))) for i, row in enumerate(covers) if row.any()]
        scale = rough_scale(self.coins)
        wide = np.array([2 * scale * np.sqrt(masks[k].sum() / np.pi) for _, k in pairs])
        legal = np.array([self.coins[i].diameter_mm for i, _ in pairs])
        places = np.array([self.coins[i].middle_px for i, _ in pairs]).reshape(-1, 2)
        fitted = len(pairs) > FITTED
        rest = fit_diameters(wide, legal, places) - legal if fitted else np.empty(0)
        return {
            "coins": len(self.coins),
            "found": len(pairs),
            "merged": int((touched.sum(axis=0) > 1).sum()),
            "invented": int((~touched.any(axis=0) & ~covers.any(axis=0)).sum()),
            "squares_mm2": float(np.sum(rest**2)),
            "freedom": len(pairs) - FITTED if fitted else 0,
        }


@dataclass(frozen=True, eq=False)
class HandToolCase:
    """A photo of one hand tool, no card in view, at a guessed scale."""

    folder: Path
    name: str

    @property
    def photo(self) -> Path:
        return self.folder / f"{self.name}.jpg"

    @property
    def address(self) -> list[str]:
        return ["tool", str(self.folder), self.name]

    def hints(self) -> Hints:
        """The smallest tool's area."""
        height, width = read_photo(self.photo).pixels.shape[:2]
        return Hints(LEAST_MM2 * (max(height, width) / LONG_MM) ** 2)

    def separated(self, way: Way) -> Labels:
        """The photo's longer side taken for `LONG_MM`."""
        picture = read_photo(self.photo)
        plane = ScaledPicture(picture.photo_id, picture.size_px, LONG_MM / max(picture.size_px))
        found = segment(picture, plane, options=SegmentOptions(way=way))
        return painted(found.silhouettes, plane, picture.size_px)

    def score(self, labels: Labels) -> dict[str, Any]:
        """Whether there is one piece, things at the photo's rim aside, and how well it fits."""
        rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
        area = np.bincount(labels.ravel())
        area[0] = 0
        whole = area.copy()
        whole[np.unique(rim)] = 0
        true = reference(self.folder, self.name)
        largest = int(np.argmax(whole if whole.any() else area))
        found = (labels == largest) & (largest > 0)
        return {
            "photos": 1,
            "one_piece": int((whole > 0).sum()) == TOOLS_SHOWN,
            "iou": None if true is None else overlap(found, true),
        }
