"""From where one more photo would help most.

An edge that all photos see from the same side, aslant, hides what lies under it. A photo from
beyond it, with the camera's foot point on the edge's outer side or right over it, opens it. The
advice tries places for the camera on a grid and adds up how much standard deviation each takes
away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.parallax.multi_view.bounds import LEFT_SHARE
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.together import SolvedRing

__all__ = ["NextPhoto", "next_photo", "open_share", "open_side"]

Array = NDArray[np.float64]

#: left parallax above which an edge seen from one side only counts as open, mm
OPEN_MM = 1.0
#: what a photo from the other side leaves of an edge's deviation, the left parallax being equal:
#: measured on rendered tools with exact silhouettes
OPENED_SHARE = 0.58


@dataclass(frozen=True)
class NextPhoto:
    """The most helpful further place of the camera.

    Attributes
    ----------
    nadir_mm
        Sheet point over which to hold the camera, at the height of the other photos.
    tool
        Index of the tool that gains most.
    before_mm, after_mm
        Mean standard deviation over the open edges of all tools, without and with the photo.
    """

    nadir_mm: tuple[float, float]
    tool: int
    before_mm: float
    after_mm: float


def open_edges(ring: SolvedRing) -> NDArray[np.bool_]:
    """(N,) edges that all photos see from one side, with more than `OPEN_MM` left parallax."""
    return np.asarray(ring.quality.one_sided & (ring.quality.left_mm > OPEN_MM), np.bool_)


def open_share(ring: SolvedRing) -> float:
    """Share of the contour that is open."""
    return float(np.mean(open_edges(ring)))


def open_side(ring: SolvedRing) -> Array | None:
    """Direction (2,) to which the open edges face, where they face one way; None otherwise."""
    which = open_edges(ring)
    if not which.any():
        return None
    mean = (ring.fit.normal[which] * ring.quality.left_mm[which, None]).sum(axis=0)
    length = float(np.linalg.norm(mean))
    if length < 0.3 * float(ring.quality.left_mm[which].sum()):
        return None
    return np.asarray(mean / length, np.float64)


def next_photo(
    rings: Sequence[SolvedRing], cameras: Sequence[Sequence[Camera]], steps: int = 13
) -> NextPhoto | None:
    """Search the camera place that takes most standard deviation off the open edges.

    Parameters
    ----------
    rings
        Exteriors of the solved tools.
    cameras
        Per tool, the cameras that saw it.
    steps
        Grid places per axis over the lay, grown by a fifth on each side.

    Returns
    -------
    NextPhoto or None
        None when no edge is open.
    """
    points, normal, height, before, owner = [], [], [], [], []
    for k, ring in enumerate(rings):
        which = open_edges(ring)
        points.append(ring.fit.ring.points_mm[which])
        normal.append(ring.fit.normal[which])
        height.append(ring.fit.ring.middle_mm[which])
        before.append(ring.quality.left_mm[which])
        owner.append(np.full(int(which.sum()), k))
    p, n, z, left, tool = (np.concatenate(v) for v in (points, normal, height, before, owner))
    if not len(p):
        return None
    camera_mm = float(np.median([c.height_mm for some in cameras for c in some]))
    old = np.sign(
        [np.sum((q - cameras[t][0].nadir_mm) * m) for q, m, t in zip(p, n, tool, strict=True)]
    )
    everything = np.concatenate([r.fit.ring.points_mm for r in rings])
    low, high = everything.min(axis=0), everything.max(axis=0)
    margin = 0.2 * (high - low)
    gx, gy = np.meshgrid(
        np.linspace(low[0] - margin[0], high[0] + margin[0], steps),
        np.linspace(low[1] - margin[1], high[1] + margin[1], steps),
    )
    best: tuple[float, int, Array] = (0.0, 0, np.zeros(len(p)))
    places = np.column_stack([gx.ravel(), gy.ravel()])
    for k, place in enumerate(places):
        rho = np.sum((p - place) * n, axis=1)
        opened = np.sign(rho) != old
        now = np.minimum(left, np.abs(rho) * z / camera_mm)
        gain = LEFT_SHARE * (left - np.where(opened, OPENED_SHARE, 1.0) * now)
        if gain.sum() > best[0]:
            best = (float(gain.sum()), k, gain)
    if best[0] <= 0:
        return None
    helped = np.bincount(tool, weights=best[2], minlength=len(rings))
    mean_before = float(np.mean(LEFT_SHARE * left))
    x, y = (float(v) for v in places[best[1]])
    after = mean_before - best[0] / len(p)
    return NextPhoto((x, y), int(np.argmax(helped)), mean_before, after)
