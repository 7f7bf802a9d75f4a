"""Which silhouettes of different photos are the same tool.

Heights are unknown, so two silhouettes are compared at every height: carried along their rays they
overlap at one of them if they are the same thing. Whatever overlaps is gathered into clusters. A
cluster with at most one silhouette per photo is a tool; in any other, some photo shows two tools
run together, or one tool in pieces, and the photos vote on the number of tools.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry import Polygon

from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.oneheight import at_height

__all__ = ["Part", "Track", "group_silhouettes"]

Array = NDArray[np.float64]

#: heights at which silhouettes are compared, mm; below the sheet lie mirror images
HEIGHTS_MM = np.arange(-40.0, 105.0, 5.0)
#: price of 1 mm of height: in a row of equal tools the next one fits too, but higher up
LIFT_PRICE = 0.0015
#: share of the smaller silhouette that must be covered for two to belong together
COVERED = 0.5
#: share from which one silhouette holds another
MOSTLY = 0.65
#: overlap from which the height of a pair is believed, and how far other parts may be from it
PARTNER_IOU, HEIGHT_LEEWAY_MM = 0.7, 20.0
#: least overlap of two silhouettes of one tool
LEAST_IOU = 0.1
#: widest gap between two tools that shadow or parallax is believed to fill, mm
WIDEST_GAP_MM = 20.0
#: size of a piece, as a share of its neighbour's, that is rather a splinter than a tool
SPLINTER = 0.1
#: what makes a gap in one photo a sure one: its width, the confidence of the edges along it, and
#: the share of it that the photos which show none have filled from end to end
LEAST_GAP_MM, CLEAR, FILLED = 1.5, 0.5, 0.6
#: half the width of the strip in the middle of a gap in which that share is looked at
MIDDLE_MM = 1.0


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
class Track:
    """One tool as the photos show it: one part per photo that does.

    ``disputed`` is set when the photos do not agree on how many tools there are.
    """

    parts: tuple[Part, ...]
    disputed: bool = False


@dataclass(frozen=True, eq=False)
class Overlap:
    """Best overlaps over all heights, between the silhouettes of all photos in one list.

    ``iou`` (S, S) intersection over union less a little for the height it needs, ``covered``
    (S, S, Z) share of the first silhouette that the second covers at each height, ``likely``
    (S, Z) the heights that are likely for a silhouette: near that at which its best partner fits,
    where one does. At any height at all, one of two tools laid close slides onto the other.
    """

    iou: Array
    covered: Array
    likely: NDArray[np.bool_]

    def covers(self, node: int, *others: int) -> bool:
        """Whether a silhouette covers most of others, all at the same likely height."""
        shares = self.covered[list(others), node].min(axis=0)
        return bool((shares * self.likely[node]).max() > MOSTLY)


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
    iou, covered = np.zeros((count, count)), np.zeros((count, count, len(HEIGHTS_MM)))
    height = np.zeros((count, count))
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
            like = common / (size_a + size_b - common) - LIFT_PRICE * np.abs(HEIGHTS_MM[:both])
            iou[a, b] = iou[b, a] = max(float(like.max()), 0.0)
            height[a, b] = height[b, a] = HEIGHTS_MM[int(like.argmax())]
            covered[a, b, :both], covered[b, a, :both] = common / size_a, common / size_b
    if not count:
        return Overlap(iou, covered, np.zeros((0, len(HEIGHTS_MM)), np.bool_)), nodes
    best = iou.argmax(axis=1)
    there = np.take_along_axis(height, best[:, None], axis=1)
    known = np.take_along_axis(iou, best[:, None], axis=1) > PARTNER_IOU
    likely = ~known | (np.abs(HEIGHTS_MM - there) <= HEIGHT_LEEWAY_MM)
    return Overlap(iou, covered, likely), nodes


def group_silhouettes(
    silhouettes: Sequence[Sequence[Silhouette]], cameras: Sequence[Camera]
) -> tuple[Track, ...]:
    """Gather the silhouettes of all photos into tools.

    Parameters
    ----------
    silhouettes
        Per photo.
    cameras
        One per photo.

    Returns
    -------
    tuple of Track
        Every silhouette is in at least one track; a merged one is in several.
    """
    found, nodes = overlaps(silhouettes, cameras)
    if not nodes:
        return ()
    most = found.covered.max(axis=2)
    link = np.maximum(most, most.T) > COVERED
    row, col = np.nonzero(link)
    graph = coo_array((np.ones(len(row)), (row, col)), shape=link.shape)
    label = np.asarray(connected_components(graph, directed=False)[1])
    shown = [silhouettes[i][k] for i, k in nodes]
    tracks: list[Track] = []
    for cluster in range(label.max() + 1):
        members = [int(m) for m in np.flatnonzero(label == cluster)]
        tracks += resolve(members, found, nodes, shown)
    return tuple(sorted(tracks, key=lambda p: (p.parts[0].photo, p.parts[0].silhouettes)))


def resolve(
    members: list[int],
    found: Overlap,
    nodes: list[tuple[int, int]],
    shown: Sequence[Silhouette],
) -> list[Track]:
    """Split a cluster into tools.

    Where one photo shows apart what another shows as one, the pair is judged (`one_tool`): its
    pieces are joined, or the one silhouette is set aside as shared by both. What is left is
    matched photo by photo.
    """
    photos = sorted({nodes[m][0] for m in members})
    by_photo = {i: [m for m in members if nodes[m][0] == i] for i in photos}
    if all(len(some) == 1 for some in by_photo.values()):
        return [Track(tuple(Part(i, (nodes[some[0]][1],)) for i, some in by_photo.items()))]
    group = {m: m for m in members}

    def join(a: int, b: int) -> None:
        old, new = group[a], group[b]
        for m in members:
            if group[m] == old:
                group[m] = new

    shared: dict[int, set[int]] = {}
    disputed: set[int] = set()
    for some in by_photo.values():
        for a, b in combinations(some, 2):
            over = [w for w in members if found.covers(w, a, b)]
            if not over:
                continue
            disputed |= {a, b, *over}
            if one_tool(a, b, over, by_photo, found, nodes, shown):
                for other in (b, *over):
                    join(other, a)
            else:
                for w in over:
                    shared.setdefault(w, set()).update((a, b))
    for one, other in combinations(photos, 2):
        rows = [m for m in by_photo[one] if m not in shared]
        cols = [m for m in by_photo[other] if m not in shared]
        if rows and cols:
            iou = found.iou[np.ix_(rows, cols)]
            for r, c in zip(*linear_sum_assignment(-iou), strict=True):
                if iou[r, c] > LEAST_IOU:
                    join(rows[r], cols[c])
    tracks = []
    for name in sorted({group[m] for m in members if m not in shared}):
        own = [m for m in members if group[m] == name and m not in shared]
        also = [w for w, covered in shared.items() if covered & set(own)]
        parts = [
            Part(
                i,
                tuple(nodes[m][1] for m in (*own, *also) if nodes[m][0] == i),
                any(nodes[w][0] == i for w in also),
            )
            for i in photos
        ]
        quarrel = bool(disputed & {*own, *also})
        tracks.append(Track(tuple(p for p in parts if p.silhouettes), quarrel))
    return tracks


def one_tool(
    a: int,
    b: int,
    over: list[int],
    by_photo: dict[int, list[int]],
    found: Overlap,
    nodes: list[tuple[int, int]],
    shown: Sequence[Silhouette],
) -> bool:
    """Whether two silhouettes of one photo are pieces of what another photo shows as one.

    Tools lie side by side, a few millimetres to centimetres apart, and shadow or a low view fills
    the gap along much of their length. A tool breaks across, where it is narrow or mirrors the
    sheet, and over any distance. So the photos vote; over a wide gap, and where pieces lie end to
    end, one tool wins a tie, and a splinter needs half as many votes to be none. No vote
    outweighs a single clear look at the sheet between two tools (`sheet_between`), side by side or
    end to end: it is the other photos that had no chance to see it.
    """
    regions = [s.region for s in shown]
    gap = float(regions[a].distance(regions[b]))
    whole = {nodes[w][0] for w in over}
    apart = {nodes[a][0]}
    for photo, some in by_photo.items():
        if photo not in whole:
            like_a = {m for m in some if found.covers(m, a)}
            like_b = {m for m in some if found.covers(m, b)}
            if like_a and like_b and like_a != like_b:
                apart.add(photo)
    small, large = sorted((a, b), key=lambda m: regions[m].area)
    facing = regions[small].exterior.intersection(regions[large].buffer(gap + 4.0)).length
    end_to_end = facing < np.sqrt(regions[small].area)
    splinter = regions[small].area < SPLINTER * regions[large].area
    if splinter:
        return 2 * len(whole) >= len(apart)
    if gap > WIDEST_GAP_MM:
        return len(whole) >= len(apart)
    if sheet_between(shown[a], shown[b], [regions[w] for w in over]):
        return False
    if end_to_end:
        return len(whole) >= len(apart)
    # shapes parted where they touch: no photo has seen the sheet, so that a tie is no proof
    return len(whole) + (gap < LEAST_GAP_MM) > len(apart)


def sheet_between(one: Silhouette, other: Silhouette, over: Sequence[Polygon]) -> bool:
    """Whether a photo that parts two shapes has seen the sheet between them.

    Its edges on both sides of the gap are clear, and the photos that show one shape have the gap
    filled from end to end: a shape joined in one place only may be one tool that forks.
    """
    gap = float(one.region.distance(other.region))
    if gap < LEAST_GAP_MM:
        return False
    reach = gap + 4.0
    # what lies half the way between the two; a fork's tines meet a neighbour each by itself
    half = gap / 2 + MIDDLE_MM
    between = one.region.buffer(half).intersection(other.region.buffer(half))
    between = between.difference(shapely.union(one.region, other.region))
    filled = [between.intersection(w).area / max(between.area, 1e-9) for w in over]
    clear = min(confidence_near(one, other, reach), confidence_near(other, one, reach))
    return min(filled) > FILLED and clear > CLEAR


def confidence_near(silhouette: Silhouette, other: Silhouette, reach_mm: float) -> float:
    """Mean confidence of the edge that faces another silhouette; 0 where none does."""
    ring = np.asarray(silhouette.region.exterior.coords, np.float64)[:-1, :2]
    if len(silhouette.edge_confidence) != len(ring):
        return float(silhouette.confidence)
    faces = shapely.distance(shapely.points(ring), other.region) <= reach_mm
    return float(np.mean(silhouette.edge_confidence[faces])) if faces.any() else 0.0
