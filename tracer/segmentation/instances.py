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

from tracer.segmentation.answers import Answers
from tracer.segmentation.components import Labels, highest, label_cells
from tracer.segmentation.raster import Image, Mask

__all__ = ["TOOL", "part_instances"]

TOOL = 0.5  # decision level
FAINT = 0.2  # cells above may join two pieces of a tool
CONTACT = 0.35  # cells likelier than this to lie between two tools part them
SURE_CONTACT = 0.38  # a parting whose band is on average less sure is undone
BRIDGE_CONTACT = 0.15  # across a gap, less than this speaks against two tools
LONGEST_GAP_MM = 40.0
LEAST_CORE_MM2 = 60.0  # smaller cores are no tool of their own
SIDE_PIECE = 0.1  # a touching piece below this share of its neighbour belongs to it
SIDE_PIECE_MM2 = 600.0
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


def part_instances(answers: Answers, domain: Mask, mm: float) -> tuple[Labels, frozenset[int]]:
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
    """
    cord, cords = _long_cables((answers.cable > TOOL) & domain, mm)
    sure = np.where(cord > 0, 0, np.maximum(answers.tool, answers.cable)).astype(np.float32)
    pieces, count = _pieces((sure > TOOL) & domain, answers.contact, mm)
    if count > 1:
        groups = _Groups(count)
        parted, bridges = _judged_contacts(pieces, answers.contact, count, groups)
        faint = (sure > FAINT) & domain & (pieces == 0) & (cord == 0)
        pieces = _bridged(pieces, faint, answers.contact, parted, groups, mm)
        roots = groups.roots()
        pieces = np.where(bridges > 0, bridges, pieces)
        pieces = roots[pieces]
    area = np.bincount(pieces.ravel(), minlength=count)
    mean = np.bincount(pieces.ravel(), sure.ravel(), count) / np.maximum(area, 1)
    mean[0] = 0.0
    kept = np.flatnonzero(mean >= LEAST_SURE)
    renumber = np.zeros(count, np.int32)
    renumber[kept] = np.arange(1, len(kept) + 1)
    labels = np.where(cord > 0, cord + len(kept), renumber[pieces]).astype(np.int32)
    return labels, frozenset(range(len(kept) + 1, len(kept) + cords + 1))


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


def _pieces(mask: Mask, contact: Image, mm: float) -> tuple[Labels, int]:
    """Cores between contacts, grown over the mask; how many labels there are."""
    count, labels, boxes = label_cells(mask & (contact < CONTACT), connectivity=4)
    keep = boxes[:, 4] * mm * mm >= LEAST_CORE_MM2
    keep[0] = False
    cores = np.where(keep[labels], labels, 0).astype(np.int32)
    if not keep.any():
        return cores, 1
    # every core lies in the mask: its bounds are as good as the whole picture, and smaller
    bounds = ndimage.find_objects(mask.astype(np.uint8))[0]
    mask, seeds = mask[bounds], cores[bounds]
    nearest = ndimage.distance_transform_edt(
        seeds == 0, return_distances=False, return_indices=True
    )
    whole = label_cells(mask)[1]
    held = np.zeros(int(whole.max()) + 1, np.bool_)
    held[np.unique(whole[seeds > 0])] = True
    cores[bounds] = np.where(mask & held[whole], seeds[tuple(nearest)], 0)
    return cores, count


def _judged_contacts(
    pieces: Labels, contact: Image, count: int, groups: _Groups
) -> tuple[NDArray[np.int32], Labels]:
    """Keep or undo each parting.

    Returns
    -------
    parted
        (count,) equal for pieces that hang together by kept partings: those are different tools.
    bridges
        (rows, columns) piece number of gap cells to be filled, 0 elsewhere.
    """
    window = np.ones((7, 7), np.uint8)
    high = cv2.dilate(pieces.astype(np.float32), window).astype(np.int64)
    far = np.where(pieces > 0, pieces, count).astype(np.float32)
    low = cv2.erode(far, window).astype(np.int64)
    beside = (high > 0) & (low < count) & (low != high)
    clusters = _Groups(count)
    bridges = np.zeros(pieces.shape, np.int32)
    if beside.any():
        key = low * count + high
        pairs, at = np.unique(key[beside], return_inverse=True)
        means = np.bincount(at, contact[beside]) / np.bincount(at)
        area = np.bincount(pieces.ravel(), minlength=count)
        closed = _closed(pieces > 0) & (pieces == 0) & beside
        for pair, mean in zip(pairs, means, strict=True):
            a, b = divmod(int(pair), count)
            small, large = sorted((area[a], area[b]))
            side = small < min(SIDE_PIECE * large, SIDE_PIECE_MM2)
            if mean < SURE_CONTACT or side:
                groups.join(a, b)
                bridges[closed & (key == pair)] = a
            else:
                clusters.join(a, b)
    return clusters.roots(), bridges


def _closed(mask: Mask) -> Mask:
    square = np.ones((5, 5), np.uint8)
    return np.asarray(
        cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, square) > 0, np.bool_
    )


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
