"""Which silhouettes of different photos are the same tool.

Heights are unknown, so two silhouettes are compared at every height: carried along their rays they
overlap at one of them if they are the same thing. Whatever overlaps is gathered into clusters. A
cluster with at most one silhouette per photo is a tool; in any other, some photo shows two tools
run together, or one tool in pieces, and the photos vote on the number of tools.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tracer.model.silhouette import Silhouette
from tracer.parallax.edges import Camera
from tracer.parallax.oneheight import at_height

__all__ = ["Part", "Party", "group_silhouettes"]

Array = NDArray[np.float64]

#: heights at which silhouettes are compared, mm; below the sheet lie mirror images
HEIGHTS_MM = np.arange(-40.0, 105.0, 5.0)
#: share of the smaller silhouette that must be covered for two to belong together
COVERED = 0.5


@dataclass(frozen=True)
class Part:
    """What one photo shows of one tool.

    Attributes
    ----------
    photo
        Index of the photo.
    silhouettes
        Indices within the photo; several when the photo shows the tool in pieces.
    shared
        The silhouette also covers a neighbouring tool.
    """

    photo: int
    silhouettes: tuple[int, ...]
    shared: bool = False


@dataclass(frozen=True)
class Party:
    """One tool as the photos show it: one part per photo that does.

    ``disputed`` is set when the photos do not agree on how many tools there are.
    """

    parts: tuple[Part, ...]
    disputed: bool = False


@dataclass(frozen=True, eq=False)
class Overlap:
    """Best overlaps over all heights, between the silhouettes of all photos in one list.

    ``iou`` (S, S) intersection over union, ``covered`` (S, S) share of the row's silhouette that
    the column's covers.
    """

    iou: Array
    covered: Array


def overlaps(
    silhouettes: Sequence[Sequence[Silhouette]], cameras: Sequence[Camera]
) -> tuple[Overlap, list[tuple[int, int]]]:
    """Compare all pairs of silhouettes of different photos and equal kind."""
    nodes = [(i, k) for i, some in enumerate(silhouettes) for k in range(len(some))]
    placed, boxes = [], []
    for i, k in nodes:
        coarse = shapely.make_valid(silhouettes[i][k].region.simplify(1.0))
        usable = [z for z in HEIGHTS_MM if z < 0.5 * cameras[i].height_mm]
        placed.append(np.array([at_height(coarse, cameras[i], z) for z in usable]))
        boxes.append(shapely.total_bounds(placed[-1]))
    count = len(nodes)
    iou, covered = np.zeros((count, count)), np.zeros((count, count))
    for a in range(count):
        for b in range(a):
            apart = (boxes[a][:2] > boxes[b][2:]).any() or (boxes[b][:2] > boxes[a][2:]).any()
            same_kind = (
                silhouettes[nodes[a][0]][nodes[a][1]].kind
                == silhouettes[nodes[b][0]][nodes[b][1]].kind
            )
            if nodes[a][0] == nodes[b][0] or apart or not same_kind:
                continue
            both = min(len(placed[a]), len(placed[b]))
            one, other = placed[a][:both], placed[b][:both]
            common = shapely.area(shapely.intersection(one, other))
            size_a, size_b = shapely.area(one), shapely.area(other)
            iou[a, b] = iou[b, a] = np.max(common / (size_a + size_b - common))
            covered[a, b], covered[b, a] = np.max(common / size_a), np.max(common / size_b)
    return Overlap(iou, covered), nodes


def group_silhouettes(
    silhouettes: Sequence[Sequence[Silhouette]], cameras: Sequence[Camera]
) -> tuple[Party, ...]:
    """Gather the silhouettes of all photos into tools.

    Parameters
    ----------
    silhouettes
        Per photo.
    cameras
        One per photo.

    Returns
    -------
    tuple of Party
        Every silhouette is in at least one party; a merged one is in several.
    """
    found, nodes = overlaps(silhouettes, cameras)
    if not nodes:
        return ()
    link = np.maximum(found.covered, found.covered.T) > COVERED
    row, col = np.nonzero(link)
    graph = coo_array((np.ones(len(row)), (row, col)), shape=link.shape)
    label = np.asarray(connected_components(graph, directed=False)[1])
    parties: list[Party] = []
    for cluster in range(label.max() + 1):
        members = [int(m) for m in np.flatnonzero(label == cluster)]
        by_photo: dict[int, list[int]] = {}
        for m in members:
            by_photo.setdefault(nodes[m][0], []).append(m)
        if all(len(some) == 1 for some in by_photo.values()):
            parts = tuple(Part(i, (nodes[some[0]][1],)) for i, some in sorted(by_photo.items()))
            parties.append(Party(parts))
        else:
            parties += resolve(by_photo, found, nodes, silhouettes, cameras)
    return tuple(parties)


def resolve(
    by_photo: dict[int, list[int]],
    found: Overlap,
    nodes: list[tuple[int, int]],
    silhouettes: Sequence[Sequence[Silhouette]],
    cameras: Sequence[Camera],
) -> list[Party]:
    """Split a cluster into tools: the photos' upper median says how many there are.

    The upper one, because what a photo shows apart is apart, while a low view or a shadow easily
    runs two tools together. A photo that shows just that number is the reference; every other
    photo's silhouettes are matched to its pieces.
    """
    counts = sorted(len(some) for some in by_photo.values())
    wanted = counts[len(counts) // 2]

    def far(photo: int) -> float:
        middles = [silhouettes[photo][nodes[m][1]].region.centroid for m in by_photo[photo]]
        camera = cameras[photo]
        away = [np.hypot(c.x - camera.nadir_mm[0], c.y - camera.nadir_mm[1]) for c in middles]
        return float(np.mean(away) / camera.height_mm)

    reference = min(
        (i for i in by_photo if len(by_photo[i]) >= wanted),
        key=lambda i: (len(by_photo[i]), far(i)),
    )
    pieces = by_photo[reference]
    parts: list[list[Part]] = [[Part(reference, (nodes[p][1],))] for p in pieces]
    for photo, members in by_photo.items():
        if photo == reference:
            continue
        for piece, some in enumerate(assign(members, pieces, found)):
            if some:
                shared = any(
                    m in other
                    for m in some
                    for k, other in enumerate(assign(members, pieces, found))
                    if k != piece
                )
                indices = tuple(nodes[m][1] for m in some)
                parts[piece].append(Part(photo, indices, shared))
    disputed = len(set(counts)) > 1
    return [Party(tuple(sorted(some, key=lambda p: p.photo)), disputed) for some in parts]


def assign(members: list[int], pieces: list[int], found: Overlap) -> list[list[int]]:
    """Per piece of the reference, the silhouettes of another photo that show it."""
    chosen: list[list[int]] = [[] for _ in pieces]
    cover = found.covered[np.ix_(pieces, members)]
    free = list(range(len(members)))
    if len(members) < len(pieces):
        # fewer silhouettes than tools: one that covers several tools has them run together
        for k in list(free):
            held = np.flatnonzero(cover[:, k] > 0.7)
            if len(held) > 1:
                for piece in held:
                    chosen[piece].append(members[k])
                free.remove(k)
    open_pieces = [p for p in range(len(pieces)) if not chosen[p]]
    if free and open_pieces:
        iou = found.iou[np.ix_([pieces[p] for p in open_pieces], [members[k] for k in free])]
        rows, cols = linear_sum_assignment(-iou)
        taken = []
        for r, c in zip(rows, cols, strict=True):
            if iou[r, c] > 0.1:
                chosen[open_pieces[r]].append(members[free[c]])
                taken.append(free[c])
        free = [k for k in free if k not in taken]
    for k in free:  # a further piece of a tool that this photo shows broken
        best = int(np.argmax(found.covered[members[k], pieces]))
        if found.covered[members[k], pieces[best]] > COVERED:
            chosen[best].append(members[k])
    return chosen
