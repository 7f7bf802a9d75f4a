"""A scanner's lid, which is one plain ground: what looks like it is no part, what does not is one.

Networks that were taught on photos take a pale bay between two prongs for a bright steel face now
and then, and pass over a disc of 6 mm. Under a lid, or over none, the ground is even as in no
photo. So a bay of its very tone that hangs together with the ground outside is ground. Highlights
within a part stay: they do not open on the ground, or only over a narrow way. And what by itself
is twice as dark as the ground, or twice as light, is a part; what hangs on a part, where its shade
may lie, belongs to it from three times on.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.segmentation.decide.answers import Answers
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.raster import Image, Mask, disc, in_quarters

__all__ = ["by_plain_ground"]

LEAST_TONE = 0.06  # log light by which a part must differ from the lid, however even that is
SPREADS = 4.0  # the lid's own spread within which its tone lies
WAY_MM = 3.0  # highlights of rods are narrower, jaws and slots that matter are wider
DEEPEST_SHADE = -0.5  # log light: under a lid light comes from all over, and shade is faint
CLEAR = 0.7  # log light: twice as dark or as light
CLEAR_OF_SHADE = 1.1  # three times: the shade of a lamp on one side is less
CLEARLY = 0.9  # likelihood given to what is clear
LEAST_MM2, LEAST_DEPTH_MM = 8.0, 0.75  # area and half width of a thing; dust and hairs are less
TIP_MM = 0.6  # half width of what is put back
LEAST_CELLS = 100
LEVEL_MM = 12.0  # lids fade over the glass as lamps do, slowly
NEAR_MM = 3.0  # of a part, where its shadow darkens the lid


def by_plain_ground(
    evidence: RegionEvidence, answers: Answers, log: Image
) -> tuple[RegionEvidence, Answers]:
    """The decision without bays that look like the ground they open on, and with what was missed.

    Parameters
    ----------
    evidence, answers
        As the learned model gave them, instances told.
    log
        (rows, columns, 3) logarithm of linear light on the evidence's raster.
    """
    mm = evidence.raster.mm_per_cell
    sure = evidence.domain & ~_grown(evidence.tool > 0.5, NEAR_MM, mm)
    if sure.any():  # without what the networks missed
        usual = np.median(log[sure], axis=0)
        sure &= np.abs(log - usual).max(axis=2) < -DEEPEST_SHADE
    if np.count_nonzero(sure) < LEAST_CELLS:
        return evidence, answers  # no ground is seen
    change = log - _level(log, sure, LEVEL_MM / mm)
    bays = _bays(evidence, change, sure)
    away = np.where(evidence.domain, np.abs(change.mean(axis=2)), 0)
    added = _torn_off(evidence, away > CLEAR_OF_SHADE)
    missed = _missed(evidence, (away > CLEAR) & (added == 0))
    added = np.where(missed > 0, missed, added)
    if not bays.any() and not added.any():
        return evidence, answers
    quarters = in_quarters(bays), in_quarters(added > 0)

    def mended(likely: Image, cleared: Mask, found: Mask) -> Image:
        out = np.where(cleared, np.float32(0), likely)
        return np.where(found, np.maximum(out, np.float32(CLEARLY)), out).astype(np.float32)

    instances = evidence.instances
    if instances is not None:
        instances = np.where(bays, 0, np.where(added > 0, added, instances))
        instances = instances.astype(np.int32)
    return replace(
        evidence,
        tool=mended(evidence.tool, bays, added > 0),
        border=np.where(bays, np.float32(0), evidence.border),
        instances=instances,
        fine=None if evidence.fine is None else mended(evidence.fine, *quarters),
    ), replace(
        answers,
        tool=mended(answers.tool, bays, added > 0),
        cable=np.where(bays | (added > 0), np.float32(0), answers.cable),
        fine=mended(answers.fine, *quarters),
    )


def _torn_off(evidence: RegionEvidence, clear: Mask) -> NDArray[np.int32]:
    """Numbers (rows, columns) of the parts from which the decision cut what is clearly no ground.

    What hangs on two parts may be either's, and is left. So is a rim of a cell or two, where an
    edge's own blur lies.
    """
    mm = evidence.raster.mm_per_cell
    if evidence.instances is None:
        return np.zeros(clear.shape, np.int32)
    loose = (clear & (evidence.tool <= 0.5)).astype(np.uint8)
    core = np.asarray(cv2.morphologyEx(loose, cv2.MORPH_OPEN, disc(TIP_MM, mm)), np.bool_)
    labels, count = ndimage.label(_grown(core, TIP_MM, mm) & (loose > 0), np.ones((3, 3)))
    numbers = np.zeros(count + 1, np.int32)
    for k, place in enumerate(ndimage.find_objects(labels), start=1):
        rows, cols = (slice(max(s.start - 2, 0), s.stop + 2) for s in place)
        beside = _grown(labels[rows, cols] == k, mm, mm)
        held = np.unique(evidence.instances[rows, cols][beside])
        held = held[held > 0]
        if len(held) == 1:
            numbers[k] = held[0]
    return np.asarray(numbers[labels], np.int32)


def _missed(evidence: RegionEvidence, clear: Mask) -> NDArray[np.int32]:
    """New numbers (rows, columns) of things by themselves that are clearly not the ground."""
    mm = evidence.raster.mm_per_cell
    labels, count = ndimage.label(clear, np.ones((3, 3)))
    depth = cv2.distanceTransform(np.pad(clear, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    numbers = np.arange(count + 1)
    deepest = np.asarray(ndimage.maximum(depth, labels, numbers))
    good = (np.bincount(labels.ravel()) * mm * mm >= LEAST_MM2) & (deepest * mm >= LEAST_DEPTH_MM)
    # beside a part it may be its shade or a piece of it, at the rim the lid's own edge
    near = _grown(evidence.tool > 0.5, WAY_MM / 2, mm) | _grown(~evidence.domain, NEAR_MM, mm)
    near[[0, -1]] = near[:, [0, -1]] = True
    good[np.unique(labels[near])] = False
    good[0] = False
    first = 0 if evidence.instances is None else int(evidence.instances.max())
    renumbered = np.where(good, first + np.cumsum(good), 0)
    return np.asarray(renumbered[labels], np.int32)


def _bays(evidence: RegionEvidence, change: Image, sure: Mask) -> Mask:
    mm = evidence.raster.mm_per_cell
    parts = evidence.tool > 0.5
    away = np.abs(change).max(axis=2)
    # the deviation of a normal distribution: 1.4826 times its median absolute deviation
    tone = max(LEAST_TONE, SPREADS * 1.4826 * float(np.median(away[sure])))
    alike = ((away < tone) & evidence.domain).astype(np.uint8)
    open_ground = cv2.morphologyEx(alike, cv2.MORPH_OPEN, disc(WAY_MM / 2, mm))
    labels, count = ndimage.label(open_ground)
    inside = np.bincount(labels[parts], minlength=count + 1)
    ground = np.bincount(labels.ravel()) > 2 * inside
    ground[0] = False
    bays = (ground[labels] & parts).astype(np.uint8)
    # a rim of a cell or two is where the decision and the tone round an edge otherwise
    wide = np.asarray(cv2.morphologyEx(bays, cv2.MORPH_OPEN, disc(WAY_MM / 4, mm)), np.uint8)
    return _with_shade(wide, parts, change, tone, mm) if wide.any() else wide.astype(np.bool_)


def _with_shade(
    bays: NDArray[np.uint8], parts: Mask, change: Image, tone: float, mm: float
) -> Mask:
    """Bays and the shade within them: darker by no more than shade is, and of no other colour."""
    darker = change.mean(axis=2)
    grey = np.abs(change - darker[..., None]).max(axis=2) < tone
    shaded = parts & grey & (darker < tone) & (darker > DEEPEST_SHADE)
    near = cv2.dilate(bays, disc(NEAR_MM, mm)).astype(np.bool_)
    labels, _ = ndimage.label((shaded & near) | (bays > 0))
    joined = np.unique(labels[bays > 0])
    return np.asarray(np.isin(labels, joined[joined > 0]), np.bool_)


def _level(log: Image, sure: Mask, reach: float) -> NDArray[np.float32]:
    """The lid's tone at every cell, from what is surely lid around it."""
    weight = cv2.GaussianBlur(sure.astype(np.float32), (0, 0), reach)
    usual = np.median(log[sure], axis=0).astype(np.float32)
    away = cv2.GaussianBlur(np.where(sure[..., None], log - usual, 0), (0, 0), reach)
    return np.asarray(usual + away / np.maximum(weight, 1e-3)[..., None], np.float32)


def _grown(mask: Mask, by_mm: float, mm: float) -> Mask:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), disc(by_mm, mm)), np.bool_)
