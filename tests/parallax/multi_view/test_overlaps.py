"""How far silhouettes overlap at each height, and when the sheet between two was seen."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from tests.parallax.multi_view.lays import silhouette
from tracer.geometry.rings import largest_polygon
from tracer.model.silhouette import Kind
from tracer.parallax.multi_view.correspond import (
    HEIGHTS_MM,
    confidence_near,
    one_tool,
    overlaps,
    sheet_between,
)
from tracer.parallax.multi_view.edges import Camera

OWN = Camera(np.array([0.0, 0.0]), 1000.0)
SIDE = Camera(np.array([400.0, 0.0]), 1000.0)
DISC = Point(60.0, 20.0).buffer(40.0, quad_segs=32)


def on_sheet(shape: Polygon, z_mm: float, of: Camera) -> Polygon:
    k = of.height_mm / (of.height_mm - z_mm)
    return shapely.transform(shape, lambda p: of.nadir_mm + k * (p - of.nadir_mm))


def pair(one: Polygon, other: Polygon):
    found, nodes = overlaps(
        [(silhouette("A", "a", one),), (silhouette("B", "b", other),)], [OWN, SIDE]
    )
    assert nodes == [(0, 0), (1, 0)]
    return found


def test_overlap_of_flat_shapes_is_intersection_over_union() -> None:
    square, half = box(0, 0, 40, 40), box(20, 0, 60, 40)
    assert pair(square, square).iou[0, 1] == pytest.approx(1.0)
    found = pair(square, half)
    flat = int(np.flatnonzero(HEIGHTS_MM == 0)[0])
    assert found.covered[0, 1, flat] == found.covered[1, 0, flat] == pytest.approx(0.5)
    small = pair(square, box(0, 0, 40, 10))
    assert small.covered[0, 1, flat] == pytest.approx(0.25)
    assert small.covered[1, 0, flat] == pytest.approx(1.0)
    assert pair(square, box(500, 0, 540, 40)).iou.max() == 0


@pytest.mark.parametrize("z_mm", [0.0, 20.0, 60.0])
def test_a_lifted_shape_fits_at_its_height_and_pays_for_it(z_mm: float) -> None:
    """15 hundredths of a point a centimetre; heights within 20 mm of it stay likely."""
    found = pair(on_sheet(DISC, z_mm, OWN), on_sheet(DISC, z_mm, SIDE))
    assert found.iou[0, 1] == found.iou[1, 0] == pytest.approx(1 - 0.0015 * z_mm, abs=0.01)
    assert (np.abs(HEIGHTS_MM[found.likely[0]] - z_mm) <= 20).all()
    assert found.likely.sum(axis=1).tolist() == [9, 9]


def test_a_poor_partner_tells_no_height_and_cables_are_not_compared_with_tools() -> None:
    assert pair(box(0, 0, 40, 40), box(25, 0, 65, 40)).likely.all()
    cable = silhouette("B", "b", DISC)
    found, _ = overlaps(
        [(silhouette("A", "a", DISC),), (replace(cable, kind=Kind.CABLE),)], [OWN, SIDE]
    )
    assert found.iou.max() == 0


@pytest.mark.parametrize(
    ("gap", "confidence", "length", "seen_"),
    [
        (1.6, 1.0, 60.0, True),
        (1.4, 1.0, 60.0, False),  # too narrow to be sure of
        (5.0, 0.51, 60.0, True),
        (5.0, 0.49, 60.0, False),  # its edges are faint
        (5.0, 1.0, 39.0, True),
        (5.0, 1.0, 33.0, False),  # the others fill too little of it
    ],
)
def test_when_a_photo_has_seen_the_sheet_between_two_tools(gap, confidence, length, seen_) -> None:
    low, high = box(0, -30, 60, 0), box(0, gap, 60, 30 + gap)

    def sure(name: str, region: Polygon):
        plain = silhouette(name, "a", shapely.segmentize(region, 1.0))
        return replace(plain, edge_confidence=np.full(len(plain.edge_confidence), confidence))

    filled = shapely.union_all([low, high, box(0, -1, length, gap + 1)])
    assert sheet_between(sure("A", low), sure("B", high), [filled]) is seen_


def test_the_confidence_of_an_edge_is_that_of_the_side_that_faces() -> None:
    one = silhouette("A", "a", shapely.segmentize(box(0, -30, 60, 0), 1.0))
    ring = np.asarray(one.region.exterior.coords)[:-1]
    faces = ring[:, 1] > -0.5
    split = replace(one, edge_confidence=np.where(faces, 0.9, 0.2))
    other = silhouette("B", "b", box(0, 5, 60, 30))
    assert confidence_near(split, other, 5.2) == pytest.approx(0.9)
    assert confidence_near(split, other, 4.0) == 0.0
    bare = replace(split, edge_confidence=np.empty(0), confidence=0.6)
    assert confidence_near(bare, other, 5.2) == 0.6


@pytest.mark.parametrize(
    ("size", "apart", "whole", "one"),
    [
        (3.0, 2, 1, True),  # a splinter needs half as many votes to be none
        (3.0, 3, 1, False),
        (3.0, 4, 2, True),
        (3.0, 5, 2, False),
        (40.0, 2, 2, True),  # end to end, one tool wins a tie
        (40.0, 2, 1, False),
    ],
)
def test_photos_vote_on_pieces(size: float, apart: int, whole: int, one: bool) -> None:
    """So many photos show two pieces that touch by their ends, and so many show one."""
    large, small = box(0, 0, 100, 10), box(103, 3, 103 + size, 3 + min(size, 4.0))
    shown, by_photo, over = [], {}, []
    for photo in range(apart + whole):
        some = [large, small] if photo < apart else [large.union(small)]
        by_photo[photo] = list(range(len(shown), len(shown) + len(some)))
        shown += [silhouette("S", "a", largest_polygon(r)) for r in some]
        over += by_photo[photo] if photo >= apart else []
    nodes = [(photo, k) for photo, some in by_photo.items() for k in range(len(some))]

    def covers(node: int, *others: int) -> bool:
        return node in over or all(nodes[node][1] == nodes[o][1] for o in others)

    found = SimpleNamespace(covers=covers)
    assert one_tool(0, 1, over, by_photo, found, nodes, shown) is one  # type: ignore[arg-type]
