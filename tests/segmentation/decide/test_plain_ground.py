"""What a scanner's lid tells: bays of its tone that open on it are no part; all else is left."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tracer.segmentation.decide.answers import Answers
from tracer.segmentation.decide.plain_ground import by_plain_ground
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.raster import Raster

MM = 0.4
SHAPE = (220, 260)
LID, STEEL = np.log(0.86), np.log(0.2)
Cells = tuple[slice, slice]
BODY: Cells = np.s_[60:160, 60:200]


def decided(
    bay: Cells,
    *,
    tone: float = LID,
    colour: tuple[float, float, float] = (0.0, 0.0, 0.0),
    fade: float = 0.0,
    noise: float = 0.01,
) -> tuple[RegionEvidence, Answers]:
    """A steel body that the network took to be whole, and what it says after the lid was asked.

    ``bay`` is as light as ``tone`` in the picture. The lid fades by ``fade`` over the glass.
    """
    rng = np.random.default_rng(0)
    log = np.full((*SHAPE, 3), LID)
    log[BODY] = STEEL
    log[bay] = tone + np.array(colour)
    log += fade * np.linspace(0, 1, SHAPE[1])[None, :, None]
    log = (log + rng.normal(0, noise, log.shape)).astype(np.float32)
    tool = np.zeros(SHAPE, np.float32)
    tool[BODY] = 0.95
    fine = np.repeat(np.repeat(tool, 2, 0), 2, 1)
    none = np.zeros(SHAPE, np.float32)
    evidence = RegionEvidence(
        Raster(0.0, 88.0, MM, SHAPE),
        tool,
        none,
        np.ones(SHAPE, np.bool_),
        np.zeros(SHAPE, np.bool_),
        (tool > 0).astype(np.int32),
        frozenset(),
        fine,
    )
    answers = Answers(fine, tool, none, none, none, none, none)
    return by_plain_ground(evidence, answers, log)


def removed(evidence: RegionEvidence) -> NDArray[np.bool_]:
    out = np.zeros(SHAPE, np.bool_)
    out[BODY] = True
    return out & (evidence.tool < 0.5)


JAW: Cells = np.s_[90:130, 60:110]  # 16 mm wide, open at the left


def test_a_jaw_that_was_filled_is_opened_again() -> None:
    evidence, answers = decided(JAW)
    gone = removed(evidence)
    true = np.zeros(SHAPE, np.bool_)
    true[JAW] = True
    assert (gone & ~true).sum() == 0
    assert gone.sum() > 0.97 * true.sum()  # corners are rounded by the opening
    # everything that the evidence says changes together
    assert evidence.instances is not None and evidence.fine is not None
    assert np.array_equal(evidence.instances == 0, evidence.tool < 0.5)
    quarters = cv2.resize(evidence.tool, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    assert np.array_equal(evidence.fine, quarters)
    assert np.array_equal(answers.tool, evidence.tool)


@pytest.mark.parametrize(
    ("bay", "given"),
    [
        (np.s_[90:95, 60:110], {}),  # a slot of 2 mm, as narrow as a rod's highlight
        (np.s_[90:130, 90:140], {}),  # a highlight within: it opens on nothing
        (JAW, {"tone": np.log(0.70)}),  # a pale face, still darker than the lid
        (JAW, {"colour": (0.0, 0.0, -0.2)}),  # one of another colour
    ],
)
def test_what_is_left_alone(bay: Cells, given: dict[str, object]) -> None:
    assert not removed(decided(bay, **given)[0]).any()  # type: ignore[arg-type]


def test_shade_beside_a_part_is_not_put_back() -> None:
    """A strip of 3 mm beside the body that is lit by two fifths of the light."""
    log = np.full((*SHAPE, 3), LID, np.float32)
    log[BODY] = STEEL
    log[160:168, 60:200] += np.float32(np.log(0.4))
    start, answers = decided(np.s_[0:0, 0:0])
    mended, _ = by_plain_ground(start, answers, log)
    assert not (mended.tool[161:] > 0.5).any()


def test_shade_in_a_jaw_goes_with_it() -> None:
    """A strip of 2.4 mm along one prong that is a fifth darker."""
    evidence, _ = decided(JAW)
    rng = np.random.default_rng(1)
    log = np.full((*SHAPE, 3), LID)
    log[BODY] = STEEL
    log[JAW] = LID
    log[90:96, 60:110] += np.log(0.8)
    log = (log + rng.normal(0, 0.01, log.shape)).astype(np.float32)
    whole = np.zeros(SHAPE, np.float32)
    whole[BODY] = 0.95
    start = RegionEvidence(
        evidence.raster, whole, np.zeros_like(whole), evidence.domain, evidence.shadow
    )
    answers = Answers(np.repeat(np.repeat(whole, 2, 0), 2, 1), *[whole] * 6)
    mended, _ = by_plain_ground(start, answers, log)
    assert (mended.tool[90:96, 62:108] < 0.5).mean() > 0.9


def test_a_lid_that_fades_over_the_glass() -> None:
    """By a fifth, from left to right: more than the tone in which a bay must be the lid's."""
    gone = removed(decided(JAW, fade=-0.2)[0])
    assert gone.sum() > 0.9 * 40 * 50
    assert not gone[:, 115:].any()


def spotted(*spots: tuple[tuple[float, float], float, float]) -> RegionEvidence:
    """Discs (column and row, radius mm, log light) on the lid that the network passed over."""
    rng = np.random.default_rng(0)
    log = np.full((*SHAPE, 3), LID)
    log[BODY] = STEEL
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for (column, row), radius_mm, tone in spots:
        log[np.hypot(x - column, y - row) * MM < radius_mm] = tone
    start, answers = decided(np.s_[0:0, 0:0])
    return by_plain_ground(start, answers, (log + rng.normal(0, 0.01, log.shape)).astype("f4"))[0]


def test_a_small_part_that_was_missed() -> None:
    """A dark ball of 6 mm and a steel one of 4 mm, by themselves."""
    found = spotted(((30, 30), 3.0, np.log(0.05)), ((230, 190), 2.0, STEEL))
    assert found.instances is not None
    one, other = found.instances[30, 30], found.instances[190, 230]
    assert {one, other} == {2, 3}  # the body is 1
    area = np.count_nonzero(found.instances == one) * MM * MM
    assert area == pytest.approx(np.pi * 9, rel=0.1)
    assert found.tool[30, 30] > 0.5 and found.fine is not None and found.fine[60, 60] > 0.5


def test_a_tip_that_was_cut_off_is_put_back() -> None:
    """The network saw the body without its left 8 mm; a second body holds a strip between both."""
    rng = np.random.default_rng(0)
    log = np.full((*SHAPE, 3), LID)
    log[60:160, 40:200] = STEEL
    start, answers = decided(np.s_[0:0, 0:0])
    log = (log + rng.normal(0, 0.01, log.shape)).astype(np.float32)
    mended, told = by_plain_ground(start, answers, log)
    assert mended.instances is not None
    assert (mended.instances[62:158, 42:200] == 1).all()
    assert (told.tool[62:158, 42:200] > 0.5).all()
    # between two parts it may be either's
    cut = start.instances.copy()  # type: ignore[union-attr]
    cut[60:160, 20:40] = 2
    tool = np.where(cut > 0, np.float32(0.95), np.float32(0))
    log[60:160, 20:40] = STEEL
    both = replace(start, instances=cut, tool=tool)
    mended, _ = by_plain_ground(both, answers, log)
    assert mended.instances is not None and not mended.instances[70:150, 45:55].any()


@pytest.mark.parametrize(
    "spot",
    [
        ((30, 30), 0.6, np.log(0.02)),  # dust
        ((30, 30), 3.0, LID - 0.5),  # shade, or a stain of the lid
        ((52, 100), 3.0, np.log(0.05)),  # beside the body: the network may have meant it as ground
        ((3, 100), 3.0, np.log(0.05)),  # at the rim, where the lid ends
    ],
)
def test_what_is_no_part(spot: tuple[tuple[float, float], float, float]) -> None:
    found = spotted(spot)
    assert found.instances is not None and found.instances.max() == 1


def test_a_scan_that_is_all_parts() -> None:
    """No lid is seen, so nothing is known of it."""
    evidence, answers = decided(JAW)
    full = np.ones(SHAPE, np.float32)
    whole = RegionEvidence(
        evidence.raster, full, np.zeros_like(full), evidence.domain, evidence.shadow
    )
    log = np.full((*SHAPE, 3), LID, np.float32)
    assert by_plain_ground(whole, answers, log)[0] is whole
