"""From the learned model's maps to numbered tools and cables.

Tools that touch are parted where the model sees a contact. Pieces of one tool, apart because the
model hardly sees what joins them (a chrome neck on white paper), are joined along cells that it
holds for tool at least faintly. What it nowhere is sure of is dropped.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.segmentation.decide.answers import Answers
from tracer.segmentation.decide.touching import part_touching
from tracer.segmentation.working_picture.components import Labels, highest, label_cells
from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["TOOL", "part_instances"]

TOOL = 0.5  # decision level
FAINT = 0.3  # cells above may join two pieces of a tool
BRIDGE_CONTACT = 0.15  # across a gap, less than this speaks against two tools
LONGEST_GAP_MM = 15.0
LEAST_SURE = 0.72  # mean over a tool; what is really there lies above 0.83 on rendered lays
CABLE_MM = 150.0  # a cable is longer than this: shorter is a hose or cord end of its tool
CABLE_WIDTH_MM = 14.0


class _Groups:
    """Disjoint sets over piece numbers."""

    def __init__(self, count: int) -> None:
        self._parent = np.arange(count)

    def root(self, k: int) -> int:
        while self._parent[k] != k:
            k = int(self._parent[k])
        return k

    def join(self, a: int, b: int) -> None:
        a, b = sorted((self.root(a), self.root(b)))
        self._parent[b] = a

    def roots(self) -> NDArray[np.int32]:
        return np.array([self.root(k) for k in range(len(self._parent))], np.int32)


def part_instances(
    answers: Answers, domain: Mask, mm: float
) -> tuple[Labels, frozenset[int], Mask]:
    """Number tools and cables.

    Parameters
    ----------
    domain
        (rows, columns) where tools may lie.
    mm
        Cell in mm.

    Returns
    -------
    labels
        (rows, columns) int32, 0 ground.
    cables
        Numbers that are cables.
    unsure
        (rows, columns) cells of pieces that the model nowhere is sure of.
    """
    cord, cords = _long_cables((answers.cable > TOOL) & domain, mm)
    sure = np.where(cord > 0, 0, np.maximum(answers.tool, answers.cable)).astype(np.float32)
    mask = (sure > TOOL) & domain
    pieces, count = part_touching(mask, answers.contact, mm)
    if count > 1:
        groups = _Groups(count)
        home = np.zeros(count, np.int32)
        home[pieces[mask]] = label_cells(mask)[1][mask]
        faint = (sure > FAINT) & domain & ~mask & (cord == 0)
        pieces = _bridged(pieces, faint, answers.contact, home, groups, mm)
        pieces = groups.roots()[pieces]
    area = np.bincount(pieces.ravel(), minlength=count)
    mean = np.bincount(pieces.ravel(), sure.ravel(), count) / np.maximum(area, 1)
    mean[0] = 0.0
    kept = np.flatnonzero(mean >= LEAST_SURE)
    renumber = np.zeros(count, np.int32)
    renumber[kept] = np.arange(1, len(kept) + 1)
    labels = np.where(cord > 0, cord + len(kept), renumber[pieces]).astype(np.int32)
    unsure = (pieces > 0) & (renumber[pieces] == 0) & (cord == 0)
    return labels, frozenset(range(len(kept) + 1, len(kept) + cords + 1)), unsure


def _long_cables(cable: Mask, mm: float) -> tuple[Labels, int]:
    """Number the pieces that are long and thin everywhere; how many there are."""
    count, labels, boxes = label_cells(cable)
    depth = cv2.distanceTransform(cable.astype(np.uint8), cv2.DIST_L2, 5)
    width = np.maximum(2 * highest(labels, depth, count) * mm, mm)
    length = boxes[:, 4] * mm * mm / (0.75 * width)
    long = (length >= CABLE_MM) & (width <= CABLE_WIDTH_MM)
    long[0] = False
    renumber = np.where(long, np.cumsum(long), 0).astype(np.int32)
    return renumber[labels], int(long.sum())


def _bridged(
    pieces: Labels,
    faint: Mask,
    contact: Image,
    parted: NDArray[np.int32],
    groups: _Groups,
    mm: float,
) -> Labels:
    """Join pieces through faint cells, and fill the way between them."""
    out = pieces.copy()
    _, ways, boxes = label_cells(faint)
    for k, place in enumerate(ndimage.find_objects(ways), 1):
        if place is None or boxes[k, 4] < 2:
            continue
        window = tuple(slice(max(p.start - 2, 0), p.stop + 2) for p in place)
        way = ways[window] == k
        near = cv2.dilate(way.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        local = pieces[window]
        touched = np.unique(local[near & (local > 0)])
        for a, b in pairwise(touched):
            if groups.root(a) == groups.root(b) or parted[a] == parted[b]:
                continue
            to_a, to_b = (
                cv2.distanceTransform((local != n).astype(np.uint8), cv2.DIST_L2, 5) for n in (a, b)
            )
            both = np.where(way, to_a + to_b, np.inf)
            path = both <= both.min() + 4
            if both.min() * mm <= LONGEST_GAP_MM and contact[window][path].mean() < BRIDGE_CONTACT:
                groups.join(int(a), int(b))
                out[window][path & (local == 0)] = a
    return out
