"""Gaps read on the template: where they are read, and what they tell of the edge.

Held against linear algebra of another form (information matrices instead of gains) and against
simulated tools. Tolerances: rounding for the first, stated beside the others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.panel.pocket.test_clearance import outline
from tracer.model.panel_plan import FitClass
from tracer.model.reading import EdgeReading
from tracer.panel.pocket.clearance import room_for
from tracer.panel.pocket.edge_errors import EdgeErrors
from tracer.panel.pocket.fits import FITS
from tracer.panel.pocket.readings import (
    READING_MM,
    edge_marks,
    gap_at,
    marks_on_wall,
    with_readings,
)

BAR = box(0, 0, 160, 30)
SNUG = FITS[FitClass.SNUG]


def read_at(tool: Polygon, truth: Polygon, letters: str | None = None) -> list[EdgeReading]:
    """Readings of a perfect eye: the true edge along each mark's normal."""
    found = []
    for m in edge_marks(tool):
        if letters is None or m.letter in letters:
            out = gap_at(m, truth)
            place = m.x_mm + out * m.out_x, m.y_mm + out * m.out_y
            found.append(EdgeReading(m.letter, *place, 0.0))
    return found


def test_marks_move_with_the_outline_and_face_outward() -> None:
    here = edge_marks(BAR)
    there = edge_marks(affinity.translate(affinity.rotate(BAR, 90, origin=(0, 0)), 500, 7))
    assert len(here) == 11 and "".join(m.letter for m in here) == "ABCDEFGHJKL"
    for a, b in zip(here, there, strict=True):
        assert (b.x_mm, b.y_mm) == pytest.approx((500 - a.y_mm, 7 + a.x_mm))
        assert (b.out_x, b.out_y) == pytest.approx((-a.out_y, a.out_x))
        assert not BAR.contains(Point(a.x_mm + a.out_x, a.y_mm + a.out_y))
    clockwise = edge_marks(shapely.reverse(BAR))
    assert not any(BAR.contains(Point(m.x_mm + m.out_x, m.y_mm + m.out_y)) for m in clockwise)


def test_gaps_are_signed_along_the_normal() -> None:
    corners = shapely.MultiPoint(BAR.exterior.coords)
    sides = [m for m in edge_marks(BAR) if corners.distance(Point(m.x_mm, m.y_mm)) > 5]
    assert len(sides) > 8
    for width in (-2.0, 0.5, 3.0):
        wall = BAR.buffer(width, join_style="mitre")
        assert [gap_at(m, wall) for m in sides] == pytest.approx([width] * len(sides))
        signs = {np.sign(gap_at(m, wall)) for m in edge_marks(BAR)}
        assert signs == {np.sign(width)}
        letters = {m.letter for m in sides}
        for m in marks_on_wall(BAR, wall):
            if m.letter in letters:
                assert wall.exterior.distance(Point(m.x_mm, m.y_mm)) < 1e-9


def test_conditioning_agrees_with_information_matrices() -> None:
    """Posterior of a linear Gaussian model: (K^-1 + H^T H / s^2)^-1, with H picking points."""
    tool = outline(BAR, 0.8)
    model = EdgeErrors(0.9, 0.0)
    points = shapely.get_coordinates(tool.region.exterior.segmentize(2.0))[:-1]
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    length, picked = tool.region.exterior.length, [20, 24, 70]
    apart = np.abs(run[:, None] - run)
    apart = np.minimum(apart, length - apart)
    prior = (0.9 * 0.8) ** 2 * (0.55 * np.exp(-apart / 9) + 0.45 * np.exp(-apart / 80))
    pick = np.eye(len(run))[picked]
    ridge = 1e-9 * np.eye(len(run))
    after = np.linalg.inv(np.linalg.inv(prior + ridge) + pick.T @ pick / READING_MM**2)
    errors = np.array([1.0, 0.4, -0.7])
    mean = after @ pick.T @ errors / READING_MM**2
    normals = np.array([(0.0, -1.0), (0.0, -1.0), (-1.0, 0.0)])
    normals = np.array([_outward(points, k) for k in picked])
    readings = [
        EdgeReading("ABC"[i], *(points[k] + errors[i] * normals[i]), 0.0)
        for i, k in enumerate(picked)
    ]
    found, ignored = with_readings(tool, readings, model)
    assert ignored == ()
    moved = shapely.get_coordinates(found.region.exterior)[:-1]
    move = np.array([(moved[k] - points[k]) @ _outward(points, k) for k in range(len(points))])
    # 1e-3: the ridge of the inverse, and normals of chords beside corners
    assert move == pytest.approx(mean, abs=2e-3)
    left = 0.9 * np.asarray(found.sigma_ring_mm)
    assert left == pytest.approx(np.sqrt(np.diag(after)), abs=2e-3)


def _outward(points: np.ndarray, k: int) -> np.ndarray:
    along = points[(k + 1) % len(points)] - points[k - 1]
    along = along / np.hypot(*along)
    return np.array([along[1], -along[0]])


def test_an_edge_read_outside_moves_there_and_nothing_far_from_it_does() -> None:
    tool = outline(BAR, 0.9)
    truth = affinity.scale(BAR, 1.02, 1.1)  # 1.6 mm longer and 1.5 mm wider on each side
    mark = next(m for m in edge_marks(tool.region) if abs(m.y_mm) < 1e-9 and 60 < m.x_mm < 100)
    (reading,) = read_at(tool.region, truth, mark.letter)
    found, _ = with_readings(tool, [reading], EdgeErrors(1.41, 0.0, far_share=0.0, near_mm=9.0))
    # of the 1.5 mm read, the share that a prior of 1.27 mm (0.9 times 1.41) leaves to 0.4 mm
    share = 1.27**2 / (1.27**2 + READING_MM**2)
    # followed in steps of 2 mm: up to 1 mm beside the mark the edge moves exp(-1 / 9) as far
    assert 0.89 * 1.5 * share < gap_at(mark, found.region) < 1.01 * 1.5 * share
    far = [m for m in edge_marks(tool.region) if np.hypot(m.x_mm - mark.x_mm, m.y_mm) > 60]
    assert max(abs(gap_at(m, found.region)) for m in far) < 0.05
    ring = np.asarray(found.sigma_ring_mm)
    assert ring.min() < 0.42 * 0.9 and ring.max() == pytest.approx(0.9, abs=0.02)


def test_readings_all_round_bring_the_wall_to_the_tool() -> None:
    """A tool traced 1 mm too large all round: the pocket made of readings is closer and holds."""
    traced, truth = outline(BAR.buffer(1.0), 1.0), BAR
    usual = room_for(traced, SNUG, 0.9)
    read, _ = with_readings(traced, read_at(traced.region, truth))
    closer = room_for(read, SNUG, 0.9)

    def looseness(wall: Polygon) -> float:
        return float((wall.area - truth.area) / truth.exterior.length)

    # between marks 35 mm apart the edge is known little better than before
    assert looseness(closer.wall) < 0.6 * looseness(usual.wall)
    assert closer.wall.buffer(0.2).contains(truth)
    # and one traced too small grows: a sign the other way round would make it worse
    small, _ = with_readings(outline(BAR.buffer(-1.0), 1.0), read_at(BAR.buffer(-1.0), truth))
    assert (
        small.region.symmetric_difference(truth).area
        < 0.5 * BAR.buffer(-1.0).symmetric_difference(truth).area
    )


def test_readings_tell_how_well_a_tool_was_traced() -> None:
    """Small gaps all round make a lucky tool likely, and with it a sure edge between the marks."""
    model = EdgeErrors(1.0, 0.8)
    tool = outline(BAR, 1.0)
    good, _ = with_readings(tool, read_at(BAR, BAR.buffer(0.1)), model)
    poor, _ = with_readings(tool, read_at(BAR, BAR.buffer(2.5)), model)
    assert np.median(good.sigma_ring_mm) < 0.5 * np.median(poor.sigma_ring_mm)
    # with a factor that is known, deviations left do not depend on what is read
    known = EdgeErrors(1.0, 0.0)
    good, _ = with_readings(tool, read_at(BAR, BAR.buffer(0.1)), known)
    poor, _ = with_readings(tool, read_at(BAR, BAR.buffer(2.5)), known)
    assert np.median(good.sigma_ring_mm) == pytest.approx(np.median(poor.sigma_ring_mm), rel=0.02)


def test_a_tool_that_was_tried_is_in_doubt_no_more() -> None:
    tool = outline(BAR, 1.0, in_doubt=True)
    found, _ = with_readings(tool, read_at(BAR, BAR))
    assert tool.in_doubt and not found.in_doubt
    assert room_for(found, SNUG, 0.9).most_mm < room_for(tool, SNUG, 0.9).most_mm


def test_a_reading_far_from_the_outline_is_left_out() -> None:
    tool = outline(BAR, 0.5)
    far = EdgeReading("A", 80.0, -40.0, 0.0)
    found, ignored = with_readings(tool, [far])
    assert found is tool and ignored == (far,)
    assert with_readings(replace(tool), [])[1] == ()
