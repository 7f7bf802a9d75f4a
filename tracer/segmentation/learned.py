"""Region decision by the learned model, and the height of the seen edge along an outline.

The model says which cells are tool, where two tools meet and what is cable; this module turns
that into the same `RegionEvidence` that the classical way gives. Where the edge lies to a
fraction of a pixel is measured in the photo afterwards, as with the classical way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from shapely.geometry import Polygon

from tracer.model.view import PlaneMap, View
from tracer.segmentation.answers import Answers, Network, blank, encode_srgb, load_network
from tracer.segmentation.components import Labels
from tracer.segmentation.evidence import RegionEvidence
from tracer.segmentation.raster import Image, Mask, Raster, paint

__all__ = ["LearnedRegions", "camera_offset", "edge_heights", "learned_regions"]

Array = NDArray[np.float64]

CARD_RIM_MM = 3.0  # paper edge, its contact shadow and calibration's error
TOOL = 0.5  # decision level
CONTACT = 0.35  # cells likelier than this to lie between two tools part them
SURE_CONTACT = 0.38  # a parting whose band is on average less sure is undone
LEAST_CORE_MM2 = 60.0  # smaller cores are no tool of their own
CABLE_MM = 150.0  # a cable is longer than this: shorter is a hose or cord end of its tool
CABLE_WIDTH_MM = 14.0
OUTSIDE_CELLS = 1.0  # the model was taught the edge's height on the rays just beside the tool
TRUSTED_SIGMA = 0.22  # above: no better than the usual edge model's own spread (0.2 of the height)


@dataclass(frozen=True, eq=False)
class LearnedRegions:
    """What the model decided.

    Attributes
    ----------
    evidence
        As the classical way gives it, tools and cables numbered; ``border`` is likely contact
        between tools.
    answers
        The model's own answers, for `edge_heights`.
    """

    evidence: RegionEvidence
    answers: Answers


def camera_offset(plane: PlaneMap, raster: Raster) -> Image:
    """Way from the camera's foot point to each cell over the camera's height; 0 without camera."""
    rows, cols = raster.shape
    if not isinstance(plane, View):
        return np.zeros((rows, cols, 2), np.float32)
    nadir, height = plane.nadir_mm, plane.height_mm
    x = (raster.x0_mm + np.arange(cols) * raster.mm_per_cell - nadir[0]) / height
    y = (raster.y0_mm - np.arange(rows) * raster.mm_per_cell - nadir[1]) / height
    both = np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)
    return np.ascontiguousarray(both, np.float32)


def learned_regions(
    linear: Image,
    seen: Mask,
    raster: Raster,
    plane: PlaneMap,
    *,
    cards: Sequence[Polygon] = (),
    sheet: Mask | None = None,
    network: Network | None = None,
    progress: Callable[[float], None] | None = None,
) -> LearnedRegions:
    """Decide which cells are tool, and part touching tools.

    Parameters
    ----------
    linear, seen
        The working picture in linear light and the cells that the photo covers.
    cards
        Papers of all cards, sheet mm.
    sheet
        Cells of the sheet and what lies on it, where that is known; tools lie nowhere else.
    network
        Another network than the shipped one, for measuring.

    Raises
    ------
    TracerError
        ``model-damaged``.
    """
    srgb = blank(seen, encode_srgb(linear))
    network = network or load_network()
    answers = network.answer(srgb, camera_offset(plane, raster), progress)
    domain = seen & ~paint([c.buffer(CARD_RIM_MM) for c in cards], raster)
    if sheet is not None:
        domain &= sheet
    mm = raster.mm_per_cell
    labels, cables, bridges = part_instances(answers, domain, mm)
    sure = np.maximum(answers.tool, answers.cable)
    sure = np.where(bridges, np.maximum(sure, np.float32(TOOL + 0.1)), sure)
    sure = np.where((labels > 0) | (sure <= TOOL), sure, np.float32(TOOL))
    evidence = RegionEvidence(
        raster,
        sure.astype(np.float32),
        answers.contact,
        domain,
        np.zeros(domain.shape, np.bool_),
        labels,
        cables,
    )
    return LearnedRegions(evidence, answers)


def part_instances(
    answers: Answers, domain: Mask, mm: float
) -> tuple[Labels, frozenset[int], Mask]:
    """Number tools and cables.

    Returns
    -------
    labels
        (rows, columns) int32, 0 ground.
    cables
        Numbers that are cables.
    bridges
        Cells filled because both sides are one tool.
    """
    cord, cord_ids = _long_cables((answers.cable > TOOL) & domain, mm)
    mask = ((answers.tool > TOOL) | (answers.cable > TOOL)) & domain & (cord == 0)
    core = mask & (answers.contact < CONTACT)
    count, pieces, stats, _ = cv2.connectedComponentsWithStats(
        core.astype(np.uint8), connectivity=4
    )
    keep = stats[:, cv2.CC_STAT_AREA] * mm * mm >= LEAST_CORE_MM2
    keep[0] = False
    pieces = np.where(keep[pieces], pieces, 0).astype(np.int32)
    bridges = np.zeros(mask.shape, np.bool_)
    if keep.any():
        at = ndimage.distance_transform_edt(
            pieces == 0, return_distances=False, return_indices=True
        )
        spread = pieces[tuple(at)]
        reach = _connected_to(mask, pieces > 0)
        pieces = np.where(mask & reach, spread, 0).astype(np.int32)
        pieces, bridges = _rejoined(pieces, answers.contact, count)
    numbers = np.unique(pieces)
    numbers = numbers[numbers > 0]
    renumber = np.zeros(max(count, 1), np.int32)
    renumber[numbers] = np.arange(1, len(numbers) + 1)
    labels = renumber[pieces]
    labels = np.where(cord > 0, cord + len(numbers), labels).astype(np.int32)
    return labels, frozenset(int(k) + len(numbers) for k in cord_ids), bridges


def _connected_to(mask: Mask, cores: Mask) -> Mask:
    """Components of ``mask`` that hold a core."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    held = np.zeros(count, np.bool_)
    held[np.unique(labels[cores])] = True
    held[0] = False
    return np.asarray(held[labels], np.bool_)


def _long_cables(cable: Mask, mm: float) -> tuple[Labels, list[int]]:
    """Number the pieces that are long and thin everywhere."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        cable.astype(np.uint8), connectivity=8
    )
    depth = cv2.distanceTransform(cable.astype(np.uint8), cv2.DIST_L2, 5)
    deepest = np.zeros(count, np.float32)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    width = np.maximum(2 * deepest * mm, mm)
    length = stats[:, cv2.CC_STAT_AREA] * mm * mm / (0.75 * width)
    long = (length >= CABLE_MM) & (width <= CABLE_WIDTH_MM)
    long[0] = False
    ids = np.flatnonzero(long)
    renumber = np.zeros(count, np.int32)
    renumber[ids] = np.arange(1, len(ids) + 1)
    return renumber[labels].astype(np.int32), list(range(1, len(ids) + 1))


def _rejoined(pieces: Labels, contact: Image, count: int) -> tuple[Labels, Mask]:
    """Undo partings that the model is not sure of, and close the small gaps between fragments."""
    window = np.ones((7, 7), np.uint8)
    high = cv2.dilate(pieces.astype(np.float32), window).astype(np.int64)
    far = np.where(pieces > 0, pieces, count).astype(np.float32)
    low = cv2.erode(far, window).astype(np.int64)
    beside = (high > 0) & (low < count) & (low != high)
    bridges = np.zeros(pieces.shape, np.bool_)
    if not beside.any():
        return pieces, bridges
    key = low * count + high
    pairs, inverse = np.unique(key[beside], return_inverse=True)
    sure = np.bincount(inverse, contact[beside]) / np.bincount(inverse)
    group = np.arange(count)

    def root(k: int) -> int:
        while group[k] != k:
            k = int(group[k])
        return k

    for pair, how_sure in zip(pairs, sure, strict=True):
        if how_sure < SURE_CONTACT:
            a, b = sorted((root(int(pair) // count), root(int(pair) % count)))
            group[b] = a
            bridges |= beside & (key == pair)
    merged = np.array([root(k) for k in range(count)], np.int32)
    labels = merged[pieces]
    closed = cv2.morphologyEx(
        (labels > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)
    )
    bridges &= (closed > 0) & (pieces == 0)
    labels = np.where(bridges, merged[np.minimum(low, count - 1)], labels).astype(np.int32)
    return labels, bridges


def edge_heights(answers: Answers, raster: Raster, ring_mm: ArrayLike) -> tuple[Array, Array]:
    """Height of the seen edge along a ring, as a share of the tool's height.

    Parameters
    ----------
    ring_mm
        (N, 2) outer ring in sheet mm at z = 0, not closed.

    Returns
    -------
    share
        (N,) 0..1; NaN where the model's own standard deviation exceeds `TRUSTED_SIGMA`.
    sigma
        (N,) standard deviation of the share.
    """
    ring = np.asarray(ring_mm, np.float64).reshape(-1, 2)
    along = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    turn = 1.0 if _signed_area(ring) > 0 else -1.0
    outward = turn * np.column_stack([along[:, 1], -along[:, 0]]) / length
    at = raster.to_cells(ring + outward * OUTSIDE_CELLS * raster.mm_per_cell).astype(np.float32)
    x, y = at[:, :1].copy(), at[:, 1:].copy()

    def sample(image: Image) -> Array:
        found = cv2.remap(image, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)
        return np.asarray(found, np.float64).ravel()

    share, sigma = sample(answers.height), sample(answers.height_sigma)
    return np.where(sigma <= TRUSTED_SIGMA, share, np.nan), sigma


def _signed_area(ring: Array) -> float:
    x, y = ring.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)
