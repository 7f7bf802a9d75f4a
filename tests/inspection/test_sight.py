"""Registration and decision on rendered photos with known truth, and with planted faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.inspection.bench import GONE, bench_panel, needs_compiler, panel_photo
from tests.inspection.photo import PanelPhoto
from tracer.inspection.panel_sight import LookedAt, Seen, Sought, seen_mirrored, sight
from tracer.inspection.refine import measured
from tracer.model.inspection import Found, InspectedPanel, PocketState
from tracer.workflows.inspecting.inspect_photos import PanelAt, inspect_photos

pytestmark = [needs_compiler, pytest.mark.slow]


def error_mm(seen: Seen, photo: PanelPhoto) -> float:
    """Root mean square over the walls of how far the drawing lies from the truth."""
    pattern = Sought.of(bench_panel()).pattern
    true = photo.wall_px(pattern.walls_mm, pattern.size_mm)
    off = np.linalg.norm(seen.fit.camera.to_photo(pattern.walls_mm) - true, axis=1)
    return float(np.sqrt(np.mean((off * photo.view.mm_per_px(pattern.walls_mm)) ** 2)))


def found(photo: PanelPhoto, *, confirmed: bool = True) -> InspectedPanel:
    panels = [PanelAt("bench", bench_panel(), confirmed=confirmed)]
    return inspect_photos(panels, [photo.photo]).panels["bench"]


@pytest.mark.parametrize("tilt_deg", [2.0, 30.0])
@pytest.mark.parametrize("marks", [False, True])
def test_registration_is_true_to_a_millimetre_and_a_half(tilt_deg: float, marks: bool) -> None:
    photo = panel_photo(tilt_deg=tilt_deg, marks=marks, some_gone=True)
    seen = sight(LookedAt.of(photo.photo), Sought.of(bench_panel()), marks=marks)
    assert seen is not None and seen.sure
    assert seen.sighting.found is (Found.MARKS if marks else Found.DRAWING)
    # both sides: without noise and lens there would be nothing to measure
    assert 0.02 < error_mm(seen, photo) < 1.5


def test_a_drawing_put_wrongly_scores_as_chance_does() -> None:
    photo = panel_photo()
    at, sought = LookedAt.of(photo.photo), Sought.of(bench_panel())
    seen = sight(at, sought)
    assert seen is not None
    for pattern in (sought.pattern.mirrored(), sought.pattern.turned()):
        wrong = measured(at.levels[-1], seen.fit.camera, pattern)
        assert wrong is not None and wrong.share(pattern.owners) < 0.35
    shifted = replace(sought.pattern, walls_mm=sought.pattern.walls_mm + np.array([0.0, 20.0]))
    wrong = measured(at.levels[-1], seen.fit.camera, shifted)
    assert wrong is not None and wrong.share(shifted.owners) < 0.5 * seen.sighting.score


def test_another_panel_and_a_mirrored_photo_are_not_taken_for_it() -> None:
    panel = bench_panel()
    photo = panel_photo().photo
    flipped = np.ascontiguousarray(photo.pixels[:, ::-1])
    mirrored = LookedAt.of(replace(photo, pixels=flipped))
    seen = sight(mirrored, Sought.of(panel))
    assert seen is None or not seen.sure
    assert seen_mirrored(mirrored, Sought.of(panel))
    assert not seen_mirrored(LookedAt.of(photo), Sought.of(panel))


def test_what_is_gone_is_missing_and_nothing_else() -> None:
    states = {f.pocket_id: f for f in found(panel_photo(some_gone=True)).findings}
    for pocket_id, finding in states.items():
        if pocket_id in GONE:
            assert finding.state is PocketState.MISSING, finding
            assert finding.probability >= 0.85
        else:
            assert finding.state is not PocketState.MISSING, finding


def test_a_full_panel_is_full() -> None:
    findings = found(panel_photo()).findings
    present = [f for f in findings if f.state is PocketState.PRESENT]
    assert len(present) >= len(findings) - 1
    assert not [f for f in findings if f.state is PocketState.MISSING]


def test_a_tool_turned_about_is_not_present() -> None:
    finding = next(f for f in found(panel_photo(wrong="T05")).findings if f.pocket_id == "T05")
    # much of the floor is seen beside it, so that missing is near the truth as well
    assert finding.state is not PocketState.PRESENT


def test_a_floor_drawn_in_the_faces_colour_brings_doubt_not_presence() -> None:
    """A planted fault: the drawing says nothing of the floor's colour."""
    panel = bench_panel()
    face = panel.plies[0].stock
    same = tuple(
        replace(p, floor_insert=replace(p.floor_insert, stock=face)) if p.floor_insert else p
        for p in panel.pockets
    )
    photo = panel_photo(some_gone=True)
    blind = replace(panel, pockets=same)
    done = inspect_photos([PanelAt("bench", blind)], [photo.photo]).panels["bench"]
    for finding in done.findings:
        if finding.pocket_id in GONE:
            assert finding.state is not PocketState.PRESENT, finding


def test_a_floor_of_another_colour_than_drawn_brings_doubt_not_presence() -> None:
    """A planted fault: yellow is built in, blue is drawn; no pocket shows the drawn colour."""
    panel = bench_panel()
    pockets = tuple(
        replace(
            p,
            floor_insert=replace(
                p.floor_insert, stock=replace(p.floor_insert.stock, rgb=(20, 60, 190))
            ),
        )
        if p.floor_insert
        else p
        for p in panel.pockets
    )
    wrong = replace(panel, pockets=pockets)
    photo = panel_photo(some_gone=True).photo
    done = inspect_photos([PanelAt("bench", wrong)], [photo]).panels["bench"]
    for finding in done.findings:
        if finding.pocket_id in GONE:
            assert finding.state is not PocketState.PRESENT, finding


def test_two_photos_that_contradict_bring_doubt() -> None:
    full, gone = panel_photo().photo, panel_photo(some_gone=True).photo
    panels = [PanelAt("bench", bench_panel())]
    done = inspect_photos(panels, [full, replace(gone, name="later.jpg")]).panels["bench"]
    assert set(done.sightings) == {"photo.jpg", "later.jpg"}
    for finding in done.findings:
        if finding.pocket_id in GONE:
            assert finding.state is not PocketState.PRESENT
