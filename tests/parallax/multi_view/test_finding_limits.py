"""Findings of several photos a hair on either side of each limit, with what they state."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import Point

from tests.parallax.multi_view.lays import silhouette
from tests.parallax.multi_view.solids import camera
from tests.parallax.multi_view.solids import ring as circle
from tracer.model.report import Severity
from tracer.parallax.multi_view.correspond import Track
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.findings import (
    check_baselines,
    check_disputes,
    check_flat,
    check_open_edges,
    check_outliers,
    check_typed,
    compass,
    in_picture,
)
from tracer.parallax.multi_view.oneheight import OneHeight
from tracer.parallax.multi_view.outliers import Outlier, OutlierReason
from tracer.parallax.multi_view.together import TypedPrior
from tracer.parallax.multi_view.views import Solved, growing, mirrored, no_tool, surer

COUNT = 60
OUT = circle(1.0, COUNT)
DISC = Point(100.0, 50.0).buffer(30.0)


@pytest.mark.parametrize(("apart", "told"), [(81.0, False), (79.0, True)])
def test_photos_are_taken_eight_hundredths_of_their_height_apart(apart: float, told: bool) -> None:
    """The widest pair counts, over the lower of its two cameras."""
    spots = [(0.0, 0.0, 1000.0), (0.6 * apart, 0.8 * apart, 1000.0), (10.0, 10.0, 1000.0)]
    cameras = [Camera(np.array([x, y]), h) for x, y, h in spots]
    hits = check_baselines(cameras)
    assert len(hits) == told
    for hit in hits:
        assert hit.value == pytest.approx(apart) and hit.limit == 300.0
        assert hit.severity is Severity.WARN and f"{apart:.0f} mm apart" in hit.sentence
    assert check_baselines(cameras[:1]) == [] == check_baselines([])
    higher = [Camera(c.nadir_mm, 2000.0) for c in cameras]
    assert len(check_baselines(higher)) == 1


def whole_of(z: float, sigma: float, *, height: float = 30.0, top: float = 15.0):
    ring = SimpleNamespace(points_mm=np.array([100.0, 50.0]) + 30 * OUT)
    return SimpleNamespace(
        one_height=OneHeight(z, 0.1, sigma),
        edge_mm=max(z, 0.0),
        height_mm=height,
        top_mm=top,
        exterior=SimpleNamespace(fit=SimpleNamespace(ring=ring)),
    )


@pytest.mark.parametrize(
    ("z", "sigma", "typed", "told"),
    [
        (0.7, 0.7, None, True),
        (0.9, 0.7, None, False),
        (0.7, 0.9, None, False),
        (0.7, 0.7, TypedPrior(2.0, 1.0), False),
    ],
)
def test_what_lies_flat_and_has_no_typed_height_is_told(z, sigma, typed, told) -> None:
    hits = check_flat(whole_of(z, sigma), typed, "T01")  # type: ignore[arg-type]
    assert len(hits) == told
    for hit in hits:
        assert (hit.subject_id, hit.value, hit.limit) == ("T01", 0.7, 0.8)
        assert hit.where_mm == pytest.approx((100, 50))


@pytest.mark.parametrize(
    ("edges", "spread", "height", "typed", "told"),
    [
        (24.9, 0.0, 30.0, 10.0, False),  # 10 mm and three times 5
        (25.1, 0.0, 30.0, 10.0, True),
        (48.9, 12.0, 60.0, 10.0, False),  # ... or three times 13 with the photos' own doubt
        (49.1, 12.0, 60.0, 10.0, True),
        (5.0, 1.0, 10.0, 29.9, False),  # three times what was found
        (5.0, 1.0, 10.0, 30.1, True),
        (2.0, 1.0, 4.0, 14.9, False),  # low tools are left alone
        (2.0, 1.0, 4.0, 15.1, True),
    ],
)
def test_a_typed_height_far_below_or_above_what_is_seen(edges, spread, height, typed, told) -> None:
    whole = whole_of(edges, spread, height=height)
    hits = check_typed(whole, TypedPrior(typed, 5.0), "T01")  # type: ignore[arg-type]
    assert [h.slug for h in hits] == ["typed-height-contradicted"] * told
    assert all(h.value == typed and h.severity is Severity.WARN for h in hits)
    assert check_typed(whole, None, "T01") == []  # type: ignore[arg-type]


def open_ring(share: float, *, left: float = 4.0, both_ways: bool = False):
    order = np.argsort(-OUT[:, 0], kind="stable")
    which = np.zeros(COUNT, bool)
    which[order[: round(share * COUNT)]] = True
    if both_ways:
        which[:] = np.arange(COUNT) % 2 == 0
    return SimpleNamespace(
        fit=SimpleNamespace(
            ring=SimpleNamespace(
                points_mm=np.array([100.0, 50.0]) + 30 * OUT, middle_mm=np.full(COUNT, 40.0)
            ),
            normal=OUT,
        ),
        quality=SimpleNamespace(one_sided=which, left_mm=np.where(which, left, 0.0)),
    )


TOOL = SimpleNamespace(region=DISC, silhouettes=(silhouette("S07", "a", DISC),), slips=())
VIEW = camera("a", 0.0, 0.0, 1000.0, np.zeros(2), 3028.0)
WEST = [Camera(np.array([-400.0, 0.0]), 1000.0)]


def test_an_edge_open_over_a_fifth_is_told_with_its_side_and_a_better_place() -> None:
    assert check_open_edges([TOOL], [open_ring(0.2)], [WEST], VIEW) == []  # type: ignore[arg-type, list-item]
    first, second = check_open_edges([TOOL], [open_ring(0.25)], [WEST], VIEW)  # type: ignore[arg-type, list-item]
    assert (first.slug, first.subject_id, first.limit) == ("edge-from-one-side", "S07", 0.2)
    assert first.value == pytest.approx(0.25)
    assert "on its right side" in first.sentence and first.where_mm == pytest.approx((100, 50))
    assert second.slug == "further-photo" and "to the right of this tool" in second.sentence
    (both, *_) = check_open_edges([TOOL], [open_ring(0.5, both_ways=True)], [WEST], VIEW)  # type: ignore[arg-type, list-item]
    assert "side is seen" not in both.sentence  # it faces no one way


@pytest.mark.parametrize(
    ("degrees", "word"),
    [
        (0, "right"), (45, "upper right"), (90, "top"), (135, "upper left"), (180, "left"),
        (225, "lower left"), (270, "bottom"), (315, "lower right"), (22, "right"),
        (23, "upper right"), (338, "right"), (337, "lower right"),
    ],
)  # fmt: skip
def test_directions_in_words(degrees: int, word: str) -> None:
    """Counter-clockwise with y up; pictures have y down."""
    angle = np.radians(degrees)
    assert compass(np.array([np.cos(angle), -np.sin(angle)])) == word
    there = np.array([np.cos(angle), np.sin(angle)])
    assert in_picture(VIEW, (30.0, 20.0), there) == word


def test_each_reason_has_its_finding() -> None:
    shape = silhouette("S01", "a", DISC)
    wanted = {
        OutlierReason.MOVED: ("tool-moved", Severity.WARN),
        OutlierReason.UNCONFIRMED: ("not-confirmed", Severity.WARN),
        OutlierReason.DOUBTFUL: ("seen-in-one-photo", Severity.WARN),
        OutlierReason.MIRRORED: ("mirror-image", Severity.NOTE),
        OutlierReason.FLAT: ("flat-left-out", Severity.NOTE),
    }
    for reason, (slug, severity) in wanted.items():
        outlier = Outlier(1, shape, reason, kept=reason is OutlierReason.DOUBTFUL)
        (found,) = check_outliers([outlier])
        assert (found.slug, found.severity, found.subject_id) == (slug, severity, "S01")
        assert found.where_mm == pytest.approx((100, 50))


def test_disputed_tracks_are_told_by_their_tool() -> None:
    other = SimpleNamespace(region=DISC, silhouettes=(silhouette("S08", "a", DISC),), slips=())
    tracks = [Track((), disputed=False), Track((), disputed=True)]
    (found,) = check_disputes(tracks, [TOOL, other])  # type: ignore[list-item]
    assert found.subject_id == "S08" and found.severity is Severity.NOTE


# -- which photos are used ------------------------------------------------------------------------


@dataclass(frozen=True)
class Look:
    photo: int


def test_photos_come_in_the_order_they_were_added() -> None:
    looks = [Look(k) for k in range(4)]
    assert growing(looks, None) == [looks]  # type: ignore[arg-type]
    found = growing(looks, [0, 0, 1, 2])  # type: ignore[arg-type]
    assert [[g.photo for g in trial] for trial in found] == [[0, 1], [0, 1, 2], [0, 1, 2, 3]]
    late = growing(looks, [0, 1, 1, 1])  # type: ignore[arg-type]
    assert [[g.photo for g in trial] for trial in late] == [[0, 1, 2, 3]]


def solved(sigma: float, *photos: int) -> Solved:
    tool = SimpleNamespace(sigma_mm=sigma)
    return Solved(None, [Look(k) for k in photos], (), tool)  # type: ignore[arg-type]


def test_a_photo_that_makes_a_tool_less_sure_is_refused_for_good() -> None:
    first = solved(0.5, 0, 1)
    looks = [Look(k) for k in (0, 1, 2)]
    assert surer(None, first, looks) is first  # type: ignore[arg-type]
    worse = surer(first, solved(0.51, 0, 1, 2), looks)  # type: ignore[arg-type]
    assert worse.tool is first.tool and worse.refused == {2}
    same = surer(first, solved(0.5, 0, 1, 2), looks)  # type: ignore[arg-type]
    assert len(same.observations) == 3 and same.refused == set()
    later = surer(worse, solved(0.4, 0, 1, 3), [Look(k) for k in (0, 1, 3)])  # type: ignore[arg-type]
    assert later.refused == {2} and later.tool is not None and later.tool.sigma_mm == 0.4


@pytest.mark.parametrize(
    ("z", "sigma", "below"),
    [
        (-4.1, 1.0, True),
        (-3.9, 1.0, False),
        (-6.1, 2.0, True),
        (-5.9, 2.0, False),
        (5.0, 0.1, False),
    ],
)
def test_what_lies_below_the_sheet_is_a_mirror_image(z: float, sigma: float, below: bool) -> None:
    whole = whole_of(z, sigma)
    assert mirrored(whole) is below  # type: ignore[arg-type]
    wanted = OutlierReason.MIRRORED if below else None
    assert no_tool(whole, [look_at(0.0)], TypedPrior(5.0, 1.0)) is wanted  # type: ignore[arg-type, list-item]


def look_at(*shares: float):
    """A photo of silhouettes, each with so much of its edge faint."""
    some = []
    for share in shares:
        plain = silhouette("S", "a", DISC)
        count = len(plain.edge_confidence)
        faint = np.where(np.arange(count) < round(share * count), 0.29, 0.31)
        some.append(replace(plain, edge_confidence=faint))
    return SimpleNamespace(silhouettes=tuple(some))


@pytest.mark.parametrize(
    ("shares", "stain"),
    [((0.45, 0.5), True), ((0.35, 0.9), False), ((0.0,), False), ((1.0,), True)],
)
def test_a_flat_shape_whose_edge_is_faint_in_every_photo_is_a_stain(shares, stain) -> None:
    flat, tall = whole_of(0.2, 0.2), whole_of(5.0, 0.2)
    looks = [look_at(s) for s in shares]
    assert no_tool(flat, looks, None) is (OutlierReason.FLAT if stain else None)  # type: ignore[arg-type]
    assert no_tool(tall, looks, None) is None  # type: ignore[arg-type]
    assert no_tool(flat, looks, TypedPrior(2.0, 1.0)) is None  # type: ignore[arg-type]
    assert no_tool(None, looks, None) is None  # type: ignore[arg-type]
