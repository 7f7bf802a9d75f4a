"""The new tool's pieces: which are made one, and that a steel head keeps its coloured handles."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box
from shapely.geometry.polygon import orient

from tests.parallax.single_view.test_single import camera
from tracer.model.card import CardSizes
from tracer.model.lay_settings import LaySettings
from tracer.model.outline import HeightSource
from tracer.model.silhouette import Silhouette
from tracer.model.tool_list import ToolRow
from tracer.photos import decode_photo
from tracer.progress import StepClock
from tracer.project.schema import LayRecord
from tracer.workflows.job.trace_job import read_photos
from tracer.workflows.swapping.new_tool import joints_of, trace_new
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import TraceOptions, trace

VIEW = camera(1000.0)
HEAD, LEFT, RIGHT = box(0, 100, 60, 160), box(0, 0, 20, 99.5), box(40, 0, 60, 99.2)
FAR = box(150, 0, 180, 60)


def seen(*shapes: Polygon) -> list[Silhouette]:
    return [
        Silhouette(f"S{n:02d}", "photo", orient(s), np.full(4, 0.1), 0.9, np.ones(4), np.empty(0))
        for n, s in enumerate(shapes)
    ]


def joined(pairs: Sequence[tuple[tuple[float, float], tuple[float, float]]]) -> set[frozenset[str]]:
    """The shapes that the pairs' points lie in, by name."""
    named = {"head": HEAD, "left": LEFT, "right": RIGHT, "far": FAR}

    def which(point: tuple[float, float]) -> str:
        spot = Point(VIEW.to_sheet([point])[0])
        return next(n for n, shape in named.items() if shape.contains(spot))

    return {frozenset((which(a), which(b))) for a, b in pairs}


def test_pieces_that_touch_are_one() -> None:
    pairs = joints_of(seen(LEFT, RIGHT, HEAD), VIEW, (), None)
    assert joined(pairs) == {frozenset(("head", "left")), frozenset(("head", "right"))}


def test_two_things_are_not_made_one_unless_a_point_says_which() -> None:
    both = seen(LEFT, FAR, HEAD)
    assert joints_of(both, VIEW, (), None) == ()
    assert joined(joints_of(both, VIEW, (), Point(10, 50))) == {frozenset(("head", "left"))}
    assert joints_of(both, VIEW, (), Point(160, 20)) == ()  # that one is whole


def test_tools_of_the_lay_that_are_seen_too_do_not_count() -> None:
    near = box(20.5, 0, 39.5, 99.5)  # lies between the handles and touches both
    pieces = [*seen(LEFT, RIGHT, HEAD), *seen(near)]
    assert len(joints_of(pieces, VIEW, (), None)) == 3
    pairs = joints_of(pieces, VIEW, (near.buffer(1),), None)
    assert joined(pairs) == {frozenset(("head", "left")), frozenset(("head", "right"))}


@pytest.mark.parametrize("gap", [0.0, 1.4, 1.6, 5.0])
def test_a_gap_that_no_piece_of_one_thing_has_parts_them(gap: float) -> None:
    pieces = seen(box(0, 0, 20, 50), box(0, 50 + gap, 20, 90))
    assert len(joints_of(pieces, VIEW, (), None)) == (1 if gap < 1.5 else 0)


def longest(region: Polygon) -> float:
    """Long side of the smallest box."""
    ring = np.asarray(region.minimum_rotated_rectangle.exterior.coords)
    return float(np.hypot(*np.diff(ring, axis=0).T).max())


def test_nothing_seen_is_nothing_joined() -> None:
    assert joints_of([], VIEW, (), None) == () == joints_of([], VIEW, (), Point(0, 0))


def test_cable_cutters_of_the_examples_come_whole() -> None:
    """Steel head, black collars, orange handles: seen in pieces, and the pocket needs them all."""
    folder = Path(__file__).parents[3] / "sample_images/swap/after"
    settings = LayRecord(photos=()).with_settings(LaySettings(card_sizes=CardSizes((168.0, 112.0))))
    done, _ = trace_new(
        read_photos([folder / "photo_1.jpg"]), settings, 23.0, None, StepClock(None), lambda _: ()
    )
    (found,) = done.outlines
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    true = Polygon(truth["tools"][0]["outline"]["exterior"])
    # sizes do not depend on the frame; of the head alone length would be a third
    assert longest(true) > 150
    for size in (lambda r: Polygon(r.exterior).area ** 0.5, longest):
        assert size(found.region) == pytest.approx(size(true), rel=0.05)


def test_a_height_typed_for_the_new_tool_is_as_sure_as_one_in_the_list() -> None:
    """One that is taken over from the old tool is as vague as a lay's default height."""
    folder = Path(__file__).parents[3] / "sample_images/swap/after"
    settings = LayRecord(photos=()).with_settings(LaySettings(card_sizes=CardSizes((168.0, 112.0))))
    files, cache = read_photos([folder / "photo_1.jpg"]), StageCache()

    def sigma(typed: bool) -> float:
        done, _ = trace_new(
            files, settings, 23.0, None, StepClock(None), lambda _: (), cache, height_typed=typed
        )
        (found,) = done.outlines
        assert found.height_source is HeightSource.TYPED
        return found.sigma_mm

    photos = [decode_photo(f.data, f.name) for f in files]
    options = TraceOptions(card_sizes=CardSizes((168.0, 112.0)))
    (seen_alone,) = trace(photos, options=options, cache=cache).outlines
    row = ToolRow("cutters", *seen_alone.point_px, height_mm=23.0)
    own = frozenset({(round(row.x_px, 1), round(row.y_px, 1))})
    listed = trace(photos, [row], options=replace(options, own_points=own), cache=cache)
    (wanted,) = listed.outlines
    assert sigma(True) == pytest.approx(wanted.sigma_mm, rel=0.02)
    assert sigma(False) > 1.05 * sigma(True)  # the photo looks almost straight down
