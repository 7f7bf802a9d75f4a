"""A tool too tall for one photo, against the plain geometry of a pinhole camera."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Severity
from tracer.model.view import View
from tracer.parallax.single_view.tall import SHARE_SIGMA, tall_check

HEIGHT_MM = 1000.0
K = np.array([[3000.0, 0, 2000], [0, 3000, 1500], [0, 0, 1]])
DOWN = np.diag([1.0, -1.0, -1.0])
VIEW = View("p", (4000, 3000), K, np.zeros(5), DOWN, np.array([0.0, 0.0, HEIGHT_MM]))


def outline(height: float, far_mm: float, source: HeightSource = HeightSource.TYPED) -> Outline:
    region = box(far_mm - 40, -10, far_mm, 10)
    return Outline(
        "T07",
        "drill",
        region,
        height,
        source,
        EdgeModel.MID,
        0.5,
        np.full(4, 0.5),
        0.0,
        1.0,
        ("p",),
        (0.0, 0.0),
    )


def test_a_low_tool_or_one_below_the_camera_is_left_alone() -> None:
    assert tall_check(outline(10, 400), VIEW, "T07") is None
    assert tall_check(outline(60, 41), VIEW, "T07") is None


def test_what_is_left_is_the_relief_displacement_times_the_doubt_of_its_share() -> None:
    check = tall_check(outline(60, 400), VIEW, "T07 (drill)")
    assert check is not None and check.severity is Severity.WARN  # it wants something done
    # similar triangles: a point 60 mm up, 400 mm out, is seen 400 * 60 / 940 farther out
    corner = np.hypot(400, 10)
    assert check.value == pytest.approx(SHARE_SIGMA * corner * 60 / 940, rel=1e-6)
    assert check.where_mm is not None
    assert abs(check.where_mm[0]) == pytest.approx(400)
    assert check.sentence.startswith("T07 (drill) is 60 mm tall: one photo leaves 5.6 mm")
    assert "left and right" in check.remedy


def test_without_a_height_another_finding_speaks() -> None:
    assert tall_check(outline(60, 400, HeightSource.ASSUMED), VIEW, "T07") is None
