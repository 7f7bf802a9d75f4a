"""Corrections by hand on known shapes: areas, places and untouched figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box

from tracer.model.corrections import Corrections, Stroke
from tracer.model.silhouette import Kind, Segmentation, Silhouette
from tracer.model.view import ScaledPicture
from tracer.segmentation.corrected import corrected

# 0.5 mm per px, picture 400 x 300 px = 200 x 150 mm; px (x, y) lies at ((x), 299 - y) / 2 mm
PLANE = ScaledPicture("p", (400, 300), 0.5)


def px(x_mm: float, y_mm: float) -> tuple[float, float]:
    return (x_mm * 2, 299 - y_mm * 2)


def silhouette(region: Polygon, number: int = 1) -> Silhouette:
    region = Polygon(region.exterior.segmentize(2.0), region.interiors)
    n = len(region.exterior.coords) - 1
    return Silhouette(
        f"S{number:02d}", "p", region, np.full(n, 0.1), 0.95, np.full(n, 0.95), np.empty(0)
    )


def found(*regions: Polygon) -> Segmentation:
    return Segmentation("p", tuple(silhouette(r, k) for k, r in enumerate(regions, start=1)))


# turned and off centre, so that no symmetry can hide a swapped axis
BAR = affinity.rotate(box(40, 60, 140, 80), 17)
FAR = box(150, 10, 190, 30)


def test_nothing_to_correct_changes_nothing() -> None:
    before = found(BAR, FAR)
    assert corrected(before, Corrections(), PLANE) is before


def test_split_parts_along_the_line_even_when_drawn_short() -> None:
    middle = BAR.centroid
    up = affinity.rotate(LineString([(middle.x, middle.y - 6), (middle.x, middle.y + 6)]), 17)
    (a, b) = (px(*p) for p in up.coords)
    after = corrected(found(BAR, FAR), Corrections(split=((a, b),)), PLANE)
    areas = sorted(s.region.area for s in after.silhouettes)
    assert len(areas) == 3
    assert areas[0] == pytest.approx(FAR.area)
    # both halves, less half the cut's 0.05 mm over the bar's 20 mm width; pixels round to 0.5 um
    assert areas[1] == pytest.approx(1000 - 0.5, abs=0.2)
    assert areas[2] == pytest.approx(1000 - 0.5, abs=0.2)
    assert after.checks == ()


def test_merge_bridges_a_gap_and_fills_nothing_else() -> None:
    left, right = box(20, 40, 60, 60), box(66, 40, 100, 60)
    pair = (px(30, 50), px(90, 50))
    after = corrected(found(left, right, FAR), Corrections(merge=(pair,)), PLANE)
    assert len(after.silhouettes) == 2
    joined = max((s.region for s in after.silhouettes), key=lambda r: r.area)
    assert joined.contains(left.buffer(-0.01)) and joined.contains(right.buffer(-0.01))
    bridge = joined.difference(left.union(right).buffer(0.01))
    assert bridge.area <= 6 * 20 + 1 and bridge.bounds[0] > 59 and bridge.bounds[2] < 67


def test_strokes_add_take_and_make_a_tool() -> None:
    rim = Stroke((px(60, 90), px(60, 100)), width_px=20, add=True)  # upright, 10 mm wide
    bar = box(40, 60, 140, 92)
    after = corrected(found(bar), Corrections(strokes=(rim,)), PLANE)
    brush = LineString([(60, 90), (60, 100)]).buffer(5)
    (one,) = after.silhouettes
    # the brush is a polygon with 32 corners: short of the circle by 0.6 % of its ends' area
    assert one.region.symmetric_difference(bar.union(brush)).area < 1.0

    hole = Stroke((px(90, 76),), width_px=20, add=False)
    (one,) = corrected(found(bar), Corrections(strokes=(hole,)), PLANE).silhouettes
    assert bar.area - one.region.area == pytest.approx(np.pi * 25, rel=0.02)
    assert len(one.region.interiors) == 1 and len(one.holes_sigma_mm) == 1

    alone = Stroke((px(20, 20), px(60, 20)), width_px=16, add=True)
    after = corrected(found(bar), Corrections(strokes=(alone,)), PLANE)
    assert len(after.silhouettes) == 2


def test_an_edge_replaces_the_stretch_beside_it_and_nothing_else() -> None:
    wrong = box(40, 60, 140, 80).union(box(80, 80, 110, 86))  # a shadow taken for the tool
    truth = box(40, 60, 140, 80)
    line = tuple(px(x, 80) for x in (78, 90, 100, 112))
    (s,) = corrected(found(wrong), Corrections(edges=(line,)), PLANE).silhouettes
    assert s.region.symmetric_difference(truth).area < 1e-6
    ring = np.asarray(s.region.exterior.coords)[:-1]
    beside = (ring[:, 0] > 78) & (ring[:, 0] < 112) & (ring[:, 1] > 79)
    assert np.all(s.sigma_mm[beside] == pytest.approx(0.35))  # 0.7 px at 0.5 mm
    assert np.all(s.sigma_mm[ring[:, 1] < 61] == 0.1)
    assert s.region.exterior.is_ccw

    # drawn the other way round it is the same
    (t,) = corrected(found(wrong), Corrections(edges=(line[::-1],)), PLANE).silhouettes
    assert t.region.symmetric_difference(truth).area < 1e-6


def test_learned_heights_and_their_doubt_stay_beside_what_the_hand_drew() -> None:
    (one,) = found(box(40, 60, 140, 80).union(box(80, 80, 110, 86))).silhouettes
    n = len(one.sigma_mm)
    told = replace(one, edge_height=np.full(n, 0.4), edge_height_sigma=np.full(n, 0.07))
    line = tuple(px(x, 80) for x in (78, 90, 100, 112))
    edges = Corrections(edges=(line,))
    (s,) = corrected(Segmentation("p", (told,)), edges, PLANE).silhouettes
    ring = np.asarray(s.region.exterior.coords)[:-1]
    low = ring[:, 1] < 61
    drawn = (ring[:, 0] > 82) & (ring[:, 0] < 108) & (ring[:, 1] > 79)
    for figures, value in ((s.edge_height, 0.4), (s.edge_height_sigma, 0.07)):
        assert np.all(figures[low] == value)
        assert np.isnan(figures[drawn]).all()


def test_an_edge_outwards_and_on_a_hole() -> None:
    dented = box(40, 60, 140, 80).difference(box(80, 74, 110, 80))
    line = tuple(px(x, 80) for x in (78, 90, 100, 112))
    (s,) = corrected(found(dented), Corrections(edges=(line,)), PLANE).silhouettes
    assert s.region.symmetric_difference(box(40, 60, 140, 80)).area < 1e-6

    ring = box(40, 40, 120, 100).difference(box(60, 60, 90, 80))
    side = tuple(px(100, y) for y in (60, 70, 80))
    holed = Segmentation("p", (silhouette(Polygon(ring.exterior, ring.interiors)),))
    (s,) = corrected(holed, Corrections(edges=(side,)), PLANE).silhouettes
    hole = Polygon(s.region.interiors[0])
    assert hole.symmetric_difference(box(60, 60, 100, 80)).area < 1e-6


def test_cable_and_drop_and_what_meets_nothing() -> None:
    marks = Corrections(cables=(px(170, 20),), drop=(px(*BAR.centroid.coords[0]),))
    (s,) = corrected(found(BAR, FAR), marks, PLANE).silhouettes
    assert s.kind is Kind.CABLE and s.region.equals(silhouette(FAR).region)

    nowhere = Corrections(drop=(px(10, 140),), split=((px(5, 5), px(9, 9)),))
    after = corrected(found(BAR), nowhere, PLANE)
    assert len(after.silhouettes) == 1
    assert [c.slug for c in after.checks] == ["correction-without-effect"] * 2
    assert after.checks[0].where_mm is not None


def test_numbers_stay_in_reading_order() -> None:
    upper, lower = box(20, 100, 60, 120), box(20, 40, 60, 60)
    dot = Stroke((px(150, 140), px(180, 140)), width_px=20)
    after = corrected(found(upper, lower), Corrections(strokes=(dot,)), PLANE)
    assert [s.silhouette_id for s in after.silhouettes] == ["S01", "S02", "S03"]
    assert after.silhouettes[0].region.contains(Point(165, 140))


def test_split_then_join_leaves_no_slit() -> None:
    """The two halves run side by side along the whole cut: all of it must close again."""
    long = affinity.rotate(box(20, 60, 160, 80), 17)
    along = affinity.rotate(LineString([(10, 70.3), (170, 70.3)]), 17, origin=long.centroid)
    cut = tuple(px(*p) for p in along.coords)
    across = affinity.rotate(LineString([(90, 65), (90, 75)]), 17, origin=long.centroid)
    pair = tuple(px(*p) for p in across.coords)
    parted = corrected(found(long, FAR), Corrections(split=(cut,)), PLANE)
    assert len(parted.silhouettes) == 3
    marks = Corrections(split=(cut,), merge=(pair,))
    after = corrected(found(long, FAR), marks, PLANE)
    joined = max((s.region for s in after.silhouettes), key=lambda r: r.area)
    assert len(after.silhouettes) == 2 and not joined.interiors
    # what stays are the two dents where the cut met the edge: a circle of 0.05 mm in a slit of
    # 0.05 mm leaves far less than 0.01 mm2
    assert joined.symmetric_difference(long).area < 0.02
    # no dent is deep: every point of the old edge is on the new one to a hundredth of a millimetre
    assert joined.exterior.hausdorff_distance(long.exterior) < 0.03


def test_a_dropped_tool_that_is_kept_again_is_there() -> None:
    point = px(*BAR.centroid.coords[0])
    other = px(*FAR.centroid.coords[0])
    only_drop = corrected(found(BAR, FAR), Corrections(drop=(point,)), PLANE)
    assert len(only_drop.silhouettes) == 1
    both = corrected(found(BAR, FAR), Corrections(drop=(point,), keep=(point,)), PLANE)
    assert len(both.silhouettes) == 2
    elsewhere = corrected(found(BAR, FAR), Corrections(drop=(point,), keep=(other,)), PLANE)
    assert len(elsewhere.silhouettes) == 1


def test_a_line_on_the_bare_sheet_pulls_no_spike() -> None:
    bar = box(40, 60, 140, 80)
    for line in (
        [(60, 120), (85, 120), (110, 120)],  # 40 mm beside, 50 mm long
        [(60, 80), (80, 95), (80, 125)],  # from the edge out into the open
    ):
        marks = Corrections(edges=(tuple(px(*p) for p in line),))
        after = corrected(found(bar), marks, PLANE)
        (s,) = after.silhouettes
        assert s.region.equals(silhouette(bar).region)
        assert [c.slug for c in after.checks] == ["correction-without-effect"]
    # a handle that was missed: off by 40 mm in the middle, but it begins and ends on the tool
    handle = [(80, 80), (80, 120), (100, 120), (100, 80)]
    marks = Corrections(edges=(tuple(px(*p) for p in handle),))
    (s,) = corrected(found(bar), marks, PLANE).silhouettes
    assert s.region.area == pytest.approx(bar.area + 40 * 20, abs=1)
