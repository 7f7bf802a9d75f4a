"""Region decision by the learned model, and the height of the seen edge along an outline.

The model says which cells are tool, where two tools meet and what is cable; this module turns
that into the same `RegionEvidence` that the classical way gives. Where the edge lies to a
fraction of a pixel is measured in the photo afterwards, as with the classical way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.geometry.closed_rings import normals, signed_area
from tracer.model.view import PlaneMap, View
from tracer.segmentation.decide.answers import Answers, Network, load_network
from tracer.segmentation.decide.instances import TOOL, part_instances
from tracer.segmentation.decide.joint import Joint
from tracer.segmentation.decide.torn import closed_tears
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["LearnedRegions", "camera_offset", "edge_heights", "learned_regions"]

Array = NDArray[np.float64]

OUTSIDE_CELLS = 1.0  # the model was taught the edge's height on the rays just beside the tool


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
    unsure
        (rows, columns) cells of pieces that the model nowhere is sure of.
    """

    evidence: RegionEvidence
    answers: Answers
    unsure: Mask


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
    picture: NDArray[np.uint8],
    domain: Mask,
    raster: Raster,
    plane: PlaneMap,
    *,
    log: Image | None = None,
    network: Network | Joint | None = None,
    progress: Callable[[float], None] | None = None,
) -> LearnedRegions:
    """Decide which cells are tool, and part touching tools.

    Parameters
    ----------
    picture
        The photo on the raster's quarters (`rectify_srgb`).
    domain
        Cells where the sheet, or what lies on it, is seen, and no card; tools lie nowhere else.
    log
        (rows, columns, 3) logarithm of linear light, to close tears by; None leaves them.
    network
        Another network than the shipped one for one photo.

    Raises
    ------
    TracerError
        ``model-damaged``.
    """
    network = network or load_network()
    answers = network.answer(picture, camera_offset(plane, raster), progress)
    labels, cables, unsure = part_instances(answers, domain, raster.mm_per_cell)
    sure = np.maximum(answers.tool, answers.cable)
    if log is not None:
        labels, unsure = closed_tears(
            labels, cables, unsure, sure, answers.contact, log, domain, raster.mm_per_cell
        )
    # the labels have the last word: gaps closed within a tool, faint spots dropped
    held = np.where(labels > 0, np.maximum(sure, TOOL + 0.1), np.minimum(sure, TOOL))
    fine = answers.fine.copy()
    quarters = fine.reshape(len(sure), 2, -1, 2).transpose(0, 2, 1, 3)  # a view, by cells
    np.maximum(quarters, answers.cable[..., None, None], out=quarters)
    added, dropped = (labels > 0) & (sure <= TOOL), (labels == 0) & (sure > TOOL)
    quarters[added] = np.maximum(quarters[added], TOOL + 0.1)
    quarters[dropped] = np.minimum(quarters[dropped], TOOL - 0.1)
    evidence = RegionEvidence(
        raster,
        held.astype(np.float32),
        answers.contact,
        domain,
        np.zeros(domain.shape, np.bool_),
        labels,
        cables,
        fine,
    )
    return LearnedRegions(evidence, answers, unsure)


def edge_heights(answers: Answers, raster: Raster, ring_mm: ArrayLike) -> tuple[Array, Array]:
    """Height at which the camera's rays touch a tool along its ring, over the tool's height.

    Parameters
    ----------
    ring_mm
        (N, 2) outer ring in sheet mm at z = 0, not closed.

    Returns
    -------
    share
        (N,) 0..1: the model's mean. It is given however unsure the model is: on rendered lays it
        stays nearer to the truth than the usual edge model at every stated deviation.
    sigma
        (N,) standard deviation of the share.
    """
    ring = np.asarray(ring_mm, np.float64).reshape(-1, 2)
    outward = normals(ring) if signed_area(ring) > 0 else -normals(ring)
    at = raster.to_cells(ring + outward * OUTSIDE_CELLS * raster.mm_per_cell).astype(np.float32)
    x, y = at[:, :1].copy(), at[:, 1:].copy()

    def sample(image: Image) -> Array:
        found = cv2.remap(image, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)
        return np.asarray(found, np.float64).ravel()

    return sample(answers.height), sample(answers.height_sigma)
