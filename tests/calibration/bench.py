"""Simulated lays of cards: exact cameras and cards, corners with noise, no pixels.

The standing setting: 4032 x 3024 px, focal length 3028.6 px, camera 1500 mm over a field of
900 x 600 mm with the cards on its rim, corner noise 0.15 px per axis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tracer.calibration.detect import Detection, SeenCard
from tracer.calibration.saddle import apply_homography, fit_homography
from tracer.model.card import BOARD_MM, PAPER_THICKNESS_MM, inner_corners_card_mm, on_sheet
from tracer.model.photo import Photo
from tracer.model.view import View

Array = NDArray[np.float64]
Place = tuple[float, float, float]

FIELD_MM = (900.0, 600.0)
SIZE_PX = (4032, 3024)
FOCAL_PX = 26 * np.hypot(*SIZE_PX) / np.hypot(36, 24)
#: card number -> placement; each in the middle of a stretch of the rim
RIM: dict[int, Place] = {
    0: (0.0, 0.0, 0.0),
    1: (732.0, 0.0, 0.0),
    2: (732.0, 488.0, 0.0),
    3: (0.0, 488.0, 0.0),
    4: (366.0, 0.0, 0.0),
    5: (366.0, 488.0, 0.0),
    6: (0.0, 216.0, 0.0),
    7: (732.0, 216.0, 0.0),
}


def rim(count: int) -> dict[int, Place]:
    return {k: RIM[k] for k in range(count)}


@dataclass(frozen=True)
class Fault:
    """What is wrong with one card: true size over stated size, bend up at both short ends, lift."""

    scale: float = 1.0
    curl_mm: float = 0.0
    lift_mm: float = 0.0
    moved_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Flaws:
    """Standard deviations that the simulation draws from."""

    noise_px: float = 0.15
    paper_scale: float = 0.0
    paper_height_mm: float = 0.0
    faults: Mapping[int, Fault] = field(default_factory=dict)


def make_view(
    photo_id: str = "a",
    *,
    height_mm: float = 1500.0,
    tilt_deg: float = 5.0,
    towards_deg: float = 40.0,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    aim: bool = False,
    roll_deg: float = 0.0,
    focal_px: float = FOCAL_PX,
    dist: Sequence[float] = (0.0, 0.0, 0.0, 0.0, 0.0),
    size_px: tuple[int, int] = SIZE_PX,
) -> View:
    """A camera over the field's middle, tilted, or shifted and aimed back at it."""
    middle = np.array([FIELD_MM[0] / 2, FIELD_MM[1] / 2, 0.0])
    centre = middle + np.array([*shift_mm, height_mm])
    if aim:
        forward = (middle - centre) / np.linalg.norm(middle - centre)
    else:
        a, t = np.radians(towards_deg), np.radians(tilt_deg)
        forward = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), -np.cos(t)])
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    R = np.vstack([right, np.cross(forward, right), forward])
    R = Rotation.from_rotvec([0, 0, np.radians(roll_deg)]).as_matrix() @ R
    w, h = size_px
    K = np.array([[focal_px, 0, (w - 1) / 2], [0, focal_px, (h - 1) / 2], [0, 0, 1.0]])
    return View(photo_id, size_px, K, np.array(dist, float), R, -R @ centre)


def make_photo(view: View, focal_35mm: float | None = 26.0, key: str = "phone") -> Photo:
    """A photo without pixels of its own: only its size is looked at."""
    blank = np.broadcast_to(np.uint8(0), (view.size_px[1], view.size_px[0], 3))
    return Photo(view.photo_id, f"{view.photo_id}.jpg", blank, focal_35mm, key)


def draw_papers(
    places: Mapping[int, Place], flaws: Flaws, rng: np.random.Generator
) -> dict[int, Array]:
    """Per card, its corners (15, 3) as they really lie."""
    papers = {}
    u, v = (inner_corners_card_mm() * 2 / BOARD_MM - 1).T
    for number, place in places.items():
        fault = flaws.faults.get(number, Fault())
        scale = fault.scale * np.exp(rng.normal(0, flaws.paper_scale, 2))
        bends = rng.normal(0, flaws.paper_height_mm, 6)
        heights = np.column_stack([u * 0 + 1, u, -v, u * u - 1 / 3, v * v - 1 / 3, -u * v]) @ bends
        heights = heights + fault.curl_mm * u * u + fault.lift_mm + PAPER_THICKNESS_MM
        # faults act about the board's middle
        size = np.array(BOARD_MM) * scale
        c, s = np.cos(place[2]), np.sin(place[2])
        offset = np.array([[c, -s], [s, c]]) @ ((np.array(BOARD_MM) - size) / 2)
        lower_left = (place[0] + offset[0], place[1] + offset[1], place[2])
        flat = on_sheet(inner_corners_card_mm(), lower_left, (size[0], size[1]))
        papers[number] = np.column_stack([flat, heights])
    return papers


def detect(
    view: View,
    papers: Mapping[int, Array],
    noise_px: float,
    rng: np.random.Generator,
    faults: Mapping[int, Fault] | None = None,
) -> Detection:
    """What detection would hand over."""
    cards = {}
    for number, corners in papers.items():
        moved = (faults or {}).get(number, Fault()).moved_mm
        exact = view.to_photo(corners + np.array([*moved, 0.0]))
        points = exact + rng.normal(0, noise_px, exact.shape)
        spacing = float(np.linalg.norm(exact[1] - exact[0]))
        rest = points - apply_homography(
            fit_homography(inner_corners_card_mm(), points), inner_corners_card_mm()
        )
        sigma = float(np.sqrt(np.sum(rest**2) / (2 * 15 - 8)))
        cards[number] = SeenCard(number, np.arange(15), points, sigma, spacing)
    return Detection(cards, {}, 0.0)


def lone_card(view: View, place: Place) -> SeenCard:
    """One card, seen without noise."""
    rng = np.random.default_rng(0)
    return detect(view, draw_papers({4: place}, Flaws(), rng), 0.0, rng).cards[4]
