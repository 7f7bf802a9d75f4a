"""What a scan leaves open of parts with height: stated deviation, findings, refusal."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.polygon import orient

from tests.parallax.single_view.test_single import silhouette
from tests.scan_maker import Part, hex_key, seen_from_below, true_map
from tracer.errors import TracerError
from tracer.model.calibration import SigmaMap
from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.parallax.single_view.scan import (
    MOST_HEIGHT_MM,
    STEEPEST,
    outline_from_scan,
    sight_sigma_mm,
)

VIEW = true_map((210.0, 297.0), (300.0, 300.0))
FLAT = SigmaMap(np.array([0.0, 300.0]), np.array([0.0, 300.0]), np.full((2, 2), 0.03))
PLAN = orient(box(10, 10, 50, 30))


def scanned(
    height_mm: float | None, plan: Polygon = PLAN, source: HeightSource = HeightSource.TYPED
) -> tuple[Outline, tuple[Check, ...]]:
    return outline_from_scan(
        silhouette(plan),
        VIEW,
        outline_id="T01",
        name="bit",
        height_mm=height_mm,
        height_source=source,
        sigma_map=FLAT,
    )


def test_an_outline_is_left_where_it_was_seen() -> None:
    outline, checks = scanned(3.0)
    assert outline.region.equals(PLAN)
    assert outline.method is EdgeModel.THIN
    assert checks == ()
    # its point is a pixel of the scan
    assert PLAN.contains(shapely.Point(VIEW.to_sheet([outline.point_px])[0]))


def test_the_parts_of_its_deviation_add_up() -> None:
    """JCGM 100:2008, 5.1.2: variances of independent parts add."""
    outline, _ = scanned(3.0)
    assert set(outline.budget_mm) == {Cause.SILHOUETTE, Cause.SIGHT, Cause.SHEET}
    assert sum(p**2 for p in outline.budget_mm.values()) == pytest.approx(outline.sigma_mm**2)
    assert outline.budget_mm[Cause.SIGHT] == pytest.approx(sight_sigma_mm(3.0, 1.0))


def test_the_deviation_is_that_of_drawn_scanners() -> None:
    """Slant, height of the edge, and which way the travel runs, drawn 10^5 times; 1 % of it."""
    rng = np.random.default_rng(0)
    n = 100_000
    slant, share = rng.uniform(-STEEPEST, STEEPEST, n), rng.uniform(0, 1, n)
    for angle in (0.0, 0.4, 1.0):
        along = np.where(rng.random(n) < 0.5, np.cos(angle), np.sin(angle))
        moved = slant * share * 4.0 * along
        assert np.std(moved) == pytest.approx(sight_sigma_mm(4.0), rel=0.01)
    unknown = rng.uniform(0, MOST_HEIGHT_MM, n)
    moved = slant * share * unknown * np.where(rng.random(n) < 0.5, 0.6, 0.8)
    assert np.std(moved) == pytest.approx(sight_sigma_mm(None), rel=0.02)


@pytest.mark.parametrize("path_mm", [300.0, 420.0])
def test_what_a_lens_shows_of_a_key_stays_within_two_deviations(path_mm: float) -> None:
    """A hexagon key at the rim of the glass, its sides seen by the renderer's lens.

    The slant of a lens of 300 mm at the rim is the bound itself, and the sides that face the middle
    show in full; on the mean round the key that is less than twice what is stated.
    """
    key = hex_key(5.0, (2, 200), 20.0)
    across = np.array([1.0, 0.0])
    seen = seen_from_below(Part(key, 5.0), across, np.array([97.0, 134.0]), path_mm)
    assert seen.area > key.area + 20  # its sides do show
    outline, _ = scanned(5.0, orient(seen))
    ring = shapely.get_coordinates(seen.exterior.segmentize(0.5))
    away = shapely.distance(shapely.points(ring), key.exterior)
    assert np.max(away) < STEEPEST * 5.0
    assert np.sqrt(np.mean(away**2)) < 2 * outline.sigma_mm


def test_a_height_that_nobody_knows() -> None:
    outline, (told,) = scanned(None)
    assert told.slug == "height-unknown" and told.severity is Severity.WARN
    assert told.value == pytest.approx(3.6)
    assert outline.height_source is HeightSource.ASSUMED and outline.height_mm == 0.0
    assert outline.sigma_mm > scanned(5.0)[0].sigma_mm


def test_a_height_meant_for_all_is_no_worse_than_none() -> None:
    """Known to 10 mm (`HEIGHT_SIGMA_MM`), where no part on the glass is higher."""
    rough = scanned(3.0, source=HeightSource.DEFAULT)[0]
    assert rough.sigma_mm == pytest.approx(scanned(None)[0].sigma_mm)


def test_a_part_that_is_too_tall_is_refused_by_name() -> None:
    assert scanned(MOST_HEIGHT_MM)[1] == ()
    _, (told,) = scanned(MOST_HEIGHT_MM + 0.5)
    assert (told.slug, told.severity) == ("scan-part-too-tall", Severity.FAIL)
    assert told.subject_id == "T01" and "bit is 10.5 mm high" in told.sentence


def test_a_height_below_the_glass() -> None:
    with pytest.raises(TracerError) as caught:
        scanned(-1.0)
    assert caught.value.slug == "height-negative"
