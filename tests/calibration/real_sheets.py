"""Lattices of printed tags in real photos, cut into blocks that stand in for scale cards."""

from __future__ import annotations

from collections import deque
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.detect import Detection, SeenCard
from tracer.calibration.saddle import apply_homography, fit_homography
from tracer.model.card import inner_corners_card_mm

Array = NDArray[np.float64]

REACH = 0.3  # of the pitch: how far a neighbour may lie from where it is expected


def tag_centres(path: Path) -> Array:
    """Centres (N, 2) of the dark quadrilaterals of like size in a photo, px."""
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    small = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    read, _, unread = cv2.aruco.ArucoDetector(family).detectMarkers(small)
    quads = np.asarray([*read, *unread], np.float64).reshape(-1, 4, 2)
    sides = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2)
    like = np.abs(sides / np.median(sides) - 1).max(axis=1) < 0.6
    quads = (quads[like] + 0.5) * 2 - 0.5
    # a quadrilateral's middle is where its diagonals meet
    a, b, c, d = np.moveaxis(quads, 1, 0)
    e, f = c - a, d - b
    cross = e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]
    share = ((b - a)[:, 0] * f[:, 1] - (b - a)[:, 1] * f[:, 0]) / cross
    return a + share[:, None] * e


def lattice_of(centres: Array) -> dict[tuple[int, int], Array]:
    """Column and row of every tag, grown from the middle; columns run right, rows down."""
    seed = int(np.argmin(np.linalg.norm(centres - np.median(centres, axis=0), axis=1)))
    away = centres - centres[seed]
    near = np.argsort(np.linalg.norm(away, axis=1))[1:5]
    right = away[near[np.argmax(away[near, 0])]]
    down = away[near[np.argmax(away[near, 1])]]
    found = {(0, 0): centres[seed]}
    queue = deque([((0, 0), right, down)])
    while queue:
        (i, j), right, down = queue.popleft()
        here = found[i, j]
        for di, dj, step in ((1, 0, right), (-1, 0, -right), (0, 1, down), (0, -1, -down)):
            if (i + di, j + dj) in found:
                continue
            distance = np.linalg.norm(centres - here - step, axis=1)
            k = int(np.argmin(distance))
            if distance[k] > REACH * np.linalg.norm(step):
                continue
            found[i + di, j + dj] = centres[k]
            new = centres[k] - here
            next_right = new * di if di else right
            next_down = new * dj if dj else down
            queue.append(((i + di, j + dj), next_right, next_down))
    return found


def blocks_of(lattice: dict[tuple[int, int], Array]) -> dict[int, tuple[int, int]]:
    """Upper left tag of every full block of 5 x 3 tags, by number."""
    keys = np.array(list(lattice))
    (i0, j0), (i1, j1) = keys.min(axis=0), keys.max(axis=0)
    starts: list[tuple[int, int]] = []
    for j in range(j0, j1 - 1, 3):
        i = int(i0)
        while i + 4 <= i1:
            if all((i + a, j + b) in lattice for a in range(5) for b in range(3)):
                starts.append((i, int(j)))
                i += 5
            else:
                i += 1
    return dict(enumerate(starts))


def as_cards(
    lattice: dict[tuple[int, int], Array], blocks: dict[int, tuple[int, int]]
) -> Detection:
    """Blocks as if they were scale cards: one pitch is one square."""
    cards = {}
    shape = inner_corners_card_mm()
    for number, (i, j) in blocks.items():
        points = np.array([lattice[i + a, j + b] for b in range(3) for a in range(5)])
        fitted = fit_homography(shape, points)
        assert fitted is not None
        rest = points - apply_homography(fitted, shape)
        sigma = float(np.sqrt(np.sum(rest**2) / 22))
        pitch = float(np.linalg.norm(points[1] - points[0]))
        cards[number] = SeenCard(number, np.arange(15), points, sigma, pitch)
    return Detection(cards, {}, 0.0)
