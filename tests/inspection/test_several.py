"""Several panels in one photo, several photos of one panel; panels that share a place.

Photos taken straight from the front are put side by side: seen so, moving the camera aside shifts
the picture and nothing else, so that the two are one photo of two panels on one wall.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.inspection.bench import GONE, bench_panel, needs_compiler
from tests.inspection.panels import SAMPLES, panel_of_scene
from tests.inspection.photo import PanelPhoto, Shot, take
from tracer.model.inspection import InspectedPanel, PocketState
from tracer.model.panel import Panel
from tracer.model.photo import Photo
from tracer.workflows.inspecting.inspect_photos import PanelAt, inspect_photos

pytestmark = [needs_compiler, pytest.mark.slow]
OTHER_GONE = ("T02", "T08")


@cache
def other_panel() -> Panel:
    return panel_of_scene(SAMPLES / "drawer", "blue on orange")


def photo_of(panel: Panel, gone: tuple[str, ...], seed: int, distance_mm: float) -> PanelPhoto:
    shot = Shot(
        size_px=(1400, 1400), distance_mm=distance_mm, tilt_deg=0.0, k1=0.0, noise=0.7,
        focal_35mm=24.0,
    )  # fmt: skip
    return take(panel, dict.fromkeys(gone, "missing"), shot, seed, looks_seed=5)


@cache
def side_by_side() -> Photo:
    left = photo_of(bench_panel(), GONE, 3, 900.0)
    right = photo_of(other_panel(), OTHER_GONE, 4, 900.0)
    pixels = np.hstack([left.photo.pixels, right.photo.pixels])
    # one camera saw both: its focal length in px is that of either half
    diagonals = np.hypot(*pixels.shape[:2]) / np.hypot(1400, 1400)
    return replace(left.photo, pixels=pixels, focal_35mm=24.0 / diagonals, name="wall.jpg")


def missing(found: InspectedPanel) -> set[str]:
    return {f.pocket_id for f in found.of_state(PocketState.MISSING)}


def test_two_panels_in_one_photo_are_told_apart() -> None:
    both = [
        PanelAt("bench", bench_panel(), confirmed=True),
        PanelAt("other", other_panel(), confirmed=True),
    ]
    done = inspect_photos(both, [side_by_side()])
    assert set(done.panels) == {"bench", "other"} and done.strangers == ()
    assert missing(done.panels["bench"]) == set(GONE)
    assert missing(done.panels["other"]) == set(OTHER_GONE)
    # each in its own half
    for name, half in (("bench", 0), ("other", 1)):
        (sighting,) = done.panels[name].sightings.values()
        w, h = (bench_panel() if name == "bench" else other_panel()).size_mm
        at = sighting.view.to_photo(np.array([[w / 2, h / 2]]))[0]
        assert half * 1400 < at[0] < (half + 1) * 1400


def test_a_panel_that_is_not_in_the_photo_is_not_found_beside_one_that_is() -> None:
    third = PanelAt("third", panel_of_scene(SAMPLES / "wall"))
    done = inspect_photos([PanelAt("bench", bench_panel()), third], [side_by_side()])
    assert set(done.panels) == {"bench"}


def test_a_pocket_that_one_photo_cuts_off_is_told_by_the_other() -> None:
    whole = photo_of(bench_panel(), GONE, 3, 800.0)
    width = whole.photo.size_px[0]
    pocket_px = {
        p.pocket_id: whole.view.to_photo(np.array([[*p.region.centroid.coords[0], 0.0]]))[0][0]
        for p in bench_panel().pockets
    }
    last = max(pocket_px, key=lambda k: pocket_px[k])
    cut = np.ascontiguousarray(whole.photo.pixels[:, : int(pocket_px[last]) - width // 60])
    diagonals = np.hypot(*cut.shape[:2]) / np.hypot(*whole.photo.pixels.shape[:2])
    part = replace(whole.photo, pixels=cut, focal_35mm=24.0 / diagonals, name="part.jpg")
    at = PanelAt("bench", bench_panel(), confirmed=True)

    def state(photos: list[Photo]) -> PocketState:
        found = inspect_photos([at], photos).panels["bench"]
        return next(f.state for f in found.findings if f.pocket_id == last)

    assert state([part]) is PocketState.UNSURE
    both = [part, replace(whole.photo, name="whole.jpg")]
    assert state(both) is PocketState.PRESENT
    together = inspect_photos([at], both).panels["bench"]
    assert set(together.sightings) == {"part.jpg", "whole.jpg"}
    assert missing(together) == set(GONE)
    assert next(f.photo for f in together.findings if f.pocket_id == last) == "whole.jpg"
