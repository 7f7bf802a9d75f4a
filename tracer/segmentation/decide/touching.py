"""Tools that touch, parted where a contact runs along a neck.

What hangs together is cut into *fragments* along its necks, and along what the model takes for
contact. Then fragments are joined again, the least likely contact first, each border judged by
the mean over the cells along it; a border that a contact runs along stays. The mean over the
border itself tells two tools from one far better than any contact near by: a contact's cells lie
beside the neck as well as in it.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage
from skimage.segmentation import watershed

from tracer.segmentation.working_picture.components import Labels, highest, label_cells
from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["part_touching"]

CORE = 0.35  # a fragment starts where contact is less likely than this
SEEN = 0.36  # where contact is nowhere more likely, nothing is cut
# Mean contact along a border that parts. The model takes joints of two materials (a handle on its
# blade, a collar) for contact, less surely than it takes two things: of borders that cut rendered
# tools in two on 25 photos the surest of more than `FEW` cells has 0.68, those between tools that
# touch or nearly do 0.76 to 0.97. Few cells say less: a neck of three has 0.76 within one tool.
PARTED = 0.72
FEW = 4
# A joint runs across the whole width of the part that it ends; two tools touch along less than
# that, or side by side along more. Depth at the border over that of the shallower side: two things
# up to 0.65, joints from 0.6 on. Right across a bar the border is twice as long as it is deep.
ACROSS_FROM, ACROSS = 0.6, 1.0
LONGEST_ACROSS = 2.0  # times that length: longer ones run alongside
JOINT = 0.85  # contact along a border right across or of few cells, for two things to be believed
RIDGE = 3.0  # cells of depth that a sure contact weighs when fragments are cut
PEAK = 7  # cells: fragments start no closer
LEAST_FRAGMENT_MM2 = 60.0  # smaller ones are no tool of their own
SIDE_WEIGHT = 0.18  # of a border whose one side is no tool by itself
SIDE_PIECE = 0.1  # a touching piece below this share of its neighbour belongs to it
SIDE_PIECE_MM2 = 600.0
KNOB = 0.75  # a piece joined over this share of its width or more is a knob, however large


def part_touching(mask: Mask, contact: Image, mm: float) -> tuple[Labels, int]:
    """Number the tools of a mask.

    Parameters
    ----------
    mask
        (rows, columns) cells of tools.
    contact
        (rows, columns) likelihood that two tools meet.
    mm
        Cell in mm.

    Returns
    -------
    pieces
        (rows, columns) 0 outside the mask.
    count
        Number of labels, 0 included.
    """
    count, whole, _ = label_cells(mask)
    pieces = whole.copy()
    for k, place in enumerate(ndimage.find_objects(whole), 1):
        mine = whole[place] == k
        if (mine & (contact[place] > SEEN)).any():
            parts, depth = _fragments(mine, contact[place])
            parts = _joined_again(parts, contact[place], depth, mm)
            for number in np.unique(parts[mine])[1:]:
                pieces[place][parts == number] = count
                count += 1
    return pieces, count


def _fragments(mine: Mask, contact: Image) -> tuple[Labels, Image]:
    """A connected mask cut along its necks and contacts, numbers from 1; its cells' depth."""
    depth = _depth(mine)
    # two bars side by side are deepest where they meet: what contact takes is no depth
    relief = cv2.GaussianBlur(_depth(mine & (contact < CORE)), (0, 0), 1.0) - RIDGE * contact
    square = np.ones((PEAK, PEAK), np.uint8)
    peaks = mine & (contact < CORE) & (relief >= cv2.dilate(relief, square)) & (depth > 1.5)
    markers, found = ndimage.label(ndimage.binary_dilation(peaks) & mine, np.ones((3, 3)))
    if found < 2:
        return mine.astype(np.int32), depth
    parts: Labels = watershed(-relief, markers, mask=mine).astype(np.int32)  # type: ignore[no-untyped-call]
    parts[mine & (parts == 0)] = 1  # joined over a corner alone
    return parts, depth


def _depth(mask: Mask) -> Image:
    """Distance of each cell from what is outside the mask, in cells."""
    padded = np.pad(mask.astype(np.uint8), 1)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1], np.float32)


class _Border:
    """Sum of contact along a border, its length in cells, and the depth at its middle."""

    def __init__(self) -> None:
        self.total, self.length, self.depth = 0.0, 0, 0.0

    def add(self, total: float, length: int, depth: float) -> None:
        self.total += total
        self.length += length
        self.depth = max(self.depth, depth)

    @property
    def mean(self) -> float:
        return self.total / self.length


def _joined_again(parts: Labels, contact: Image, depth: Image, mm: float) -> Labels:
    """Fragments joined, the least likely contact first, until only contacts part them.

    What is joined grows, and a border that ran right across a fragment may be a neck of the whole.
    So borders that stay for now are looked at again after each joint.
    """
    borders = _borders(parts, contact, depth)
    area = np.bincount(parts.ravel()) * mm * mm
    deepest = highest(parts, depth, len(area))
    group = np.arange(len(area))

    def standing(pair: tuple[int, int]) -> float:
        """How firmly a border parts: its contact, the less where one side is no tool by itself."""
        small, large = sorted(pair, key=lambda k: float(area[k]))
        share = area[small] / area[large]
        knob = borders[pair].depth > KNOB * deepest[small]
        side = share < SIDE_PIECE and (area[small] < SIDE_PIECE_MM2 or knob)
        weight = SIDE_WEIGHT if side or area[small] < LEAST_FRAGMENT_MM2 else 1.0
        return borders[pair].mean * weight

    def needed(pair: tuple[int, int]) -> float:
        """Contact that parts: more where the border is short or runs across all of one side."""
        border = borders[pair]
        if border.length < FEW:
            return JOINT
        if border.length > LONGEST_ACROSS * 2 * border.depth:
            return PARTED
        across = border.depth / max(min(deepest[pair[0]], deepest[pair[1]]), 1e-6)
        part = (across - ACROSS_FROM) / (ACROSS - ACROSS_FROM)
        return PARTED + (JOINT - PARTED) * float(min(max(part, 0.0), 1.0))

    while open_ := [pair for pair in borders if standing(pair) < needed(pair)]:
        keep, gone = min(open_, key=standing)
        group[group == gone] = keep
        area[keep] += area[gone]
        deepest[keep] = max(deepest[keep], deepest[gone])
        borders = _relinked(borders, keep, gone)
    return np.asarray(group[parts], np.int32)


def _borders(parts: Labels, contact: Image, depth: Image) -> dict[tuple[int, int], _Border]:
    """The border of each pair of fragments."""
    found: dict[tuple[int, int], _Border] = {}
    count = int(parts.max()) + 1
    for one, other in (np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:]):
        a, b = parts[one], parts[other]
        at = (a != b) & (a > 0) & (b > 0)
        low, high = np.minimum(a[at], b[at]), np.maximum(a[at], b[at])
        keys, inverse = np.unique(low.astype(np.int64) * count + high, return_inverse=True)
        likely = np.maximum(contact[one], contact[other])[at]
        totals = np.bincount(inverse, likely, len(keys))
        lengths = np.bincount(inverse, minlength=len(keys))
        deepest = highest(inverse, np.minimum(depth[one], depth[other])[at], len(keys))
        for k, key in enumerate(keys.tolist()):
            border = found.setdefault(divmod(key, count), _Border())
            border.add(float(totals[k]), int(lengths[k]), float(deepest[k]))
    return found


def _relinked(
    borders: dict[tuple[int, int], _Border], keep: int, gone: int
) -> dict[tuple[int, int], _Border]:
    """Borders after a fragment went up in another."""
    out: dict[tuple[int, int], _Border] = {}
    for (a, b), border in borders.items():
        one, other = (keep if n == gone else n for n in (a, b))
        if one != other:
            same = out.setdefault((min(one, other), max(one, other)), _Border())
            same.add(border.total, border.length, border.depth)
    return out
