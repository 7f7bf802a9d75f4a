"""Where to put the tools' labels: close by, on the picture, over nothing that matters."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Occupancy", "place"]

Array = NDArray[np.float64]
CELL_PX = 8  # the map of taken places is this much coarser than the picture
FAR_PRICE = 0.02  # price per px of distance from the tool
MOST_COVERED = 12.0  # cells of a tool or label that a full label may hide
GAP_PX = 10.0  # between a label and its tool


class Occupancy:
    """A coarse map of what must not be covered."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self.size_px = size_px
        self.cost = np.zeros((size_px[1] // CELL_PX + 1, size_px[0] // CELL_PX + 1), np.float32)

    def add(self, ring_px: Array, cost: float = 1.0) -> None:
        """Raise the price of the area within a ring (N, 2)."""
        ring = ring_px[np.isfinite(ring_px).all(axis=1)]
        if len(ring) > 2:
            mask = np.zeros(self.cost.shape, np.uint8)
            cv2.fillPoly(mask, [np.round(ring / CELL_PX).astype(np.int32)], 1)
            self.cost += cost * mask

    def price(self, box_px: tuple[float, float, float, float]) -> float:
        """What it costs to cover a box x0, y0, x1, y1."""
        x0, y0, x1, y1 = (v / CELL_PX for v in box_px)
        rows, cols = self.cost.shape
        c0, c1 = int(np.clip(x0, 0, cols)), int(np.clip(np.ceil(x1), 0, cols))
        r0, r1 = int(np.clip(y0, 0, rows)), int(np.clip(np.ceil(y1), 0, rows))
        return float(self.cost[r0:r1, c0:c1].sum())


def place(
    taken: Occupancy,
    ring_px: Array,
    anchor_px: Array,
    size_px: tuple[float, float],
    smaller_px: tuple[float, float] | None = None,
) -> tuple[float, float, bool]:
    """Upper left corner of a label of a given size for the tool within ``ring_px``.

    Tried are places on the anchor and all round the tool's box, moved into the picture where they
    pass its rim; the cheapest wins, and is marked as taken. Where even that would cover a tool or
    a label, the smaller size is placed instead: the last value says so.
    """
    x, y = _cheapest(taken, ring_px, anchor_px, size_px)
    covered = taken.price((x, y, x + size_px[0], y + size_px[1]))
    small = smaller_px is not None and covered > MOST_COVERED
    if small and smaller_px is not None:
        size_px = smaller_px
        x, y = _cheapest(taken, ring_px, anchor_px, size_px)
    width, height = size_px
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    taken.add(np.array(corners), 4.0)
    return x, y, small


def _cheapest(
    taken: Occupancy, ring_px: Array, anchor_px: Array, size_px: tuple[float, float]
) -> tuple[float, float]:
    ring = ring_px[np.isfinite(ring_px).all(axis=1)]
    (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
    width, height = size_px
    candidates: list[tuple[float, float]] = []
    for share in (0.5, 0.25, 0.75, 0.0, 1.0):
        x = x0 + share * (x1 - x0 - width)
        y = y0 + share * (y1 - y0 - height)
        candidates += [
            (x, y1 + GAP_PX),
            (x, y0 - GAP_PX - height),
            (x1 + GAP_PX, y),
            (x0 - GAP_PX - width, y),
        ]
    candidates.append((float(anchor_px[0] - width / 2), float(anchor_px[1] - height / 2)))
    most_x, most_y = (max(s - t, 0.0) for s, t in zip(taken.size_px, size_px, strict=True))
    candidates = [
        (float(np.clip(x, 0.0, most_x)), float(np.clip(y, 0.0, most_y))) for x, y in candidates
    ]

    def price(corner: tuple[float, float]) -> float:
        x, y = corner
        middle = np.array([x + width / 2, y + height / 2])
        distance = float(np.linalg.norm(ring - middle, axis=1).min())
        return taken.price((x, y, x + width, y + height)) + FAR_PRICE * distance

    return min(candidates, key=price)
