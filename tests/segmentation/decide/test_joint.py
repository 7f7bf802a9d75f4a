"""The shipped networks for several photos: the right files, and what a second photo tells."""

from __future__ import annotations

import hashlib

import cv2
import numpy as np
import pytest

from tests.segmentation.decide.test_company import a_view
from tracer.segmentation.decide import joint
from tracer.segmentation.decide.answers import Answers, model_bytes
from tracer.segmentation.decide.joint import load_joint_networks
from tracer.segmentation.decide.learned import camera_offset
from tracer.segmentation.working_picture.raster import Raster

ROWS, COLS = 256, 320
RASTER = Raster(-160.0, 128.0, 1.0, (ROWS, COLS))
VIEWS = (a_view("one", (-250.0, 0.0), 1200.0, 0.0), a_view("other", (250.0, 0.0), 1200.0, 0.0))
BAR = (slice(216, 296), slice(180, 460))  # quarters
TALL_MM = 20.0


def bar(shift_mm: float, seed: int) -> np.ndarray:
    """A dark bar on mottled paper, no shade at its foot, shifted right; two pixels a cell."""
    mottle = np.random.default_rng(7).normal(0, 0.25, (2 * ROWS, 2 * COLS, 1))
    picture = np.full((2 * ROWS, 2 * COLS, 3), 0.7)
    picture += cv2.GaussianBlur(mottle, (0, 0), 3)[..., None]
    shift = round(2 * shift_mm)
    picture[BAR[0], BAR[1].start + shift : BAR[1].stop + shift] = [0.15, 0.16, 0.2]
    picture += np.random.default_rng(seed).normal(0, 0.01, picture.shape)
    return (picture.clip(0, 1) * 255).astype(np.uint8)


def seen_shift(view: int, height_mm: float) -> float:
    """How far to the right a camera sees what stands at ``height_mm``, near the middle."""
    x, _, up = VIEWS[view].centre_mm
    return float(-x * height_mm / (up - height_mm))


def decided(height_mm: float, company: bool) -> tuple[Answers, float]:
    """Answers for the first photo, and the mean likelihood of tool on the bar as it shows it."""
    networks = load_joint_networks()
    pictures = [bar(seen_shift(k, height_mm), k) for k in range(2)]
    ways = [camera_offset(v, RASTER) for v in VIEWS]
    seen = np.ones(RASTER.shape, np.bool_)
    own, other = (
        networks.witness(p, w, seen, RASTER, v)
        for p, w, v in zip(pictures, ways, VIEWS, strict=True)
    )
    answers = networks.answer(pictures[0], ways[0], own, [other] if company else [])
    left = round(seen_shift(0, height_mm)) + BAR[1].start // 2
    inside = answers.tool[BAR[0].start // 2 + 4 : BAR[0].stop // 2 - 4, left + 4 : left + 136]
    return answers, float(inside.mean())


@pytest.mark.parametrize(
    ("name", "sha256"),
    [(joint.WITNESS_FILE, joint.WITNESS_SHA256), (joint.JOINT_FILE, joint.JOINT_SHA256)],
)
def test_files_are_the_released_ones_and_small(name: str, sha256: str) -> None:
    data = model_bytes(name, sha256)
    assert hashlib.sha256(data).hexdigest() == sha256
    assert len(data) <= 8_000_000


def test_what_one_photo_takes_for_a_print_two_see_standing() -> None:
    """Without a shade at its foot a dark bar is a print to one photo; its shift tells two."""
    _, alone = decided(TALL_MM, company=False)
    answers, together = decided(TALL_MM, company=True)
    assert alone < 0.3
    assert together > 0.9
    sheet = answers.tool.copy()
    sheet[90:170, 70:250] = 0
    assert (sheet > 0.5).mean() < 0.001


def test_tiles_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole, and in tiles of 128 to 192 cells: fewer than 1 % of the bar's cells turn."""
    whole, _ = decided(TALL_MM, company=True)
    monkeypatch.setattr(joint, "LARGEST", 192 * 192)
    parts, _ = decided(TALL_MM, company=True)
    tool = whole.tool > 0.5
    assert tool.sum() > 5000
    assert (tool != (parts.tool > 0.5)).sum() < 0.01 * tool.sum()
