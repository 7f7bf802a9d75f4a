"""Several photos of one lay: what they add, and what does not belong together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.calibration import compare
from tests.calibration.bench import (
    FOCAL_PX,
    SIZE_PX,
    Fault,
    Flaws,
    Place,
    detect,
    draw_papers,
    make_photo,
    make_view,
    rim,
)
from tracer.calibration.calibrate import solve_lay
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.photo import Photo
from tracer.model.view import View


def shoot(
    views: Sequence[View],
    seed: int,
    *,
    faults: Sequence[Mapping[int, Fault]] | None = None,
    places: Sequence[Mapping[int, Place]] | None = None,
    photos: Sequence[Photo] | None = None,
) -> Calibration:
    """Calibrate simulated photos; ``faults`` and ``places`` per photo."""
    rng = np.random.default_rng(seed)
    flaws = Flaws(0.15, 0.0002, 0.05)
    papers = draw_papers(rim(5), flaws, rng)
    seen = []
    for k, view in enumerate(views):
        here = papers if places is None else draw_papers(places[k], flaws, rng)
        seen.append(detect(view, here, 0.15, rng, faults[k] if faults else None))
    return solve_lay(list(photos or [make_photo(v) for v in views]), seen)


def pair(focal_px: float = FOCAL_PX) -> list[View]:
    return [
        make_view("a", shift_mm=(-300.0, 0.0), aim=True, focal_px=focal_px),
        make_view("b", shift_mm=(300.0, 0.0), aim=True, focal_px=focal_px),
    ]


def test_aimed_photos_show_the_focal_length() -> None:
    """Photos from four sides, aimed at the middle, give what no single photo can."""
    errors, doubts, normalised = [], [], []
    for seed in range(4):
        focal = FOCAL_PX * (1 + 0.04 * (seed - 2) / 2)
        views = [
            *pair(focal),
            make_view("c", tilt_deg=1.0, focal_px=focal),
            make_view("d", shift_mm=(0.0, 300.0), aim=True, focal_px=focal),
        ]
        calibration = shoot(views, seed)
        assert all(card.used for card in calibration.cards)
        rows = compare(calibration, views, 100.0)["photos"]
        errors += [row["height_mm"] for row in rows]
        normalised += [row["height_z"] for row in rows]
        doubts += [float(np.sqrt(cov[2, 2])) for cov in calibration.pose_cov.values()]
    # a photo alone knows its height to 45 mm; here focusing (0.5 % between shots, assumed) and
    # the unknown middle of the lens are left
    assert max(doubts) < 12.0
    assert np.sqrt(np.mean(np.square(errors))) < 6.0
    # 16 draws, four of them independent: the root mean square is within a factor of two
    assert 0.3 < np.sqrt(np.mean(np.square(normalised))) < 2.0


def test_photos_down_side_by_side_do_not_show_the_focal_length() -> None:
    """Negative control: parallel photos scale together, however many there are."""
    views = [
        make_view("a", shift_mm=(-300.0, 0.0), tilt_deg=0.0),
        make_view("b", shift_mm=(300.0, 0.0), tilt_deg=0.0),
    ]
    assert np.sqrt(shoot(views, 1).pose_cov["a"][2, 2]) > 25.0


def test_order_does_not_matter() -> None:
    views = [*pair(), make_view("c", tilt_deg=1.0)]
    rng = np.random.default_rng(3)
    papers = draw_papers(rim(4), Flaws(), rng)
    seen = {v.photo_id: detect(v, papers, 0.1, rng) for v in views}
    heights = []
    for order in ((0, 1, 2), (2, 0, 1)):
        chosen = [views[k] for k in order]
        done = solve_lay([make_photo(v) for v in chosen], [seen[v.photo_id] for v in chosen])
        heights.append({v.photo_id: v.height_mm for v in done.views})
    assert heights[0] == pytest.approx(heights[1], abs=0.1)


@pytest.mark.parametrize("moved", [(8.0, 3.0), (1.2, -1.0)], ids=["8.5 mm", "1.6 mm"])
def test_moved_card_is_named(moved: tuple[float, float]) -> None:
    views = [*pair(), make_view("c", tilt_deg=1.0)]
    calibration = shoot(views, 4, faults=[{}, {2: Fault(moved_mm=moved)}, {}])
    assert [c.number for c in calibration.cards if not c.used] == [2]
    assert "moved" in calibration.cards[2].reason
    assert any(c.slug == "card-left-out" and "moved" in c.sentence for c in calibration.checks)


def test_photo_of_another_lay_is_refused_by_name() -> None:
    other = {
        0: (0.0, 0.0, 0.0),
        1: (500.0, 300.0, 1.0),
        2: (200.0, 480.0, 0.3),
        3: (700.0, 60.0, 2.0),
    }
    with pytest.raises(TracerError, match=r"b\.jpg") as caught:
        shoot(pair(), 5, places=[rim(4), other])
    assert caught.value.slug == "photo-of-another-lay"


def test_photo_without_a_shared_card_is_refused() -> None:
    here = {k: p for k, p in rim(8).items() if k < 3}
    there = {k: p for k, p in rim(8).items() if k >= 4}
    with pytest.raises(TracerError) as caught:
        shoot(pair(), 6, places=[here, there])
    assert caught.value.slug == "photo-without-shared-card"


def test_zoomed_photo_is_another_camera() -> None:
    views = [pair()[0], make_view("b", shift_mm=(300.0, 0.0), aim=True, focal_px=1.5 * FOCAL_PX)]
    photos = [make_photo(views[0]), make_photo(views[1], 39.0, "zoomed")]
    calibration = shoot(views, 7, photos=photos)
    focal = [view.K[0, 0] for view in calibration.views]
    assert focal[1] / focal[0] == pytest.approx(1.5, rel=0.02)
    assert "focal-length-contradicted" not in {c.slug for c in calibration.checks}


def test_turned_photo_gives_the_same_camera() -> None:
    """A photo stored on its side belongs to the same lens as one stored upright."""
    dist = (0.05, -0.05, 0.0004, -0.0003, 0.0)
    views = [
        make_view("a", shift_mm=(-300.0, 0.0), aim=True, dist=dist),
        make_view("b", shift_mm=(300.0, 0.0), aim=True, dist=dist),
    ]
    rng = np.random.default_rng(8)
    papers = draw_papers(rim(5), Flaws(), rng)
    seen = [detect(v, papers, 0.05, rng) for v in views]
    straight = solve_lay([make_photo(v) for v in views], seen)
    # upright = stored, turned a quarter counter-clockwise: right becomes up
    turned_card = {
        k: replace(
            c,
            points_px=np.column_stack([c.points_px[:, 1], SIZE_PX[0] - 1 - c.points_px[:, 0]]),
        )
        for k, c in seen[1].cards.items()
    }
    upright = make_photo(replace(views[1], size_px=SIZE_PX[::-1]))
    photos = [make_photo(views[0]), replace(upright, quarter_turns=1)]
    turned = solve_lay(photos, [seen[0], replace(seen[1], cards=turned_card)])
    assert turned.rms_px == pytest.approx(straight.rms_px, abs=1e-4)
    assert turned.views[1].height_mm == pytest.approx(straight.views[1].height_mm, abs=0.05)
    assert np.allclose(turned.views[1].nadir_mm, straight.views[1].nadir_mm, atol=0.05)
    grid = [[100.0, 50.0], [700.0, 500.0], [450.0, 10.0]]
    before = straight.views[1].to_photo(grid)
    after = turned.views[1].to_photo(grid)
    expected = np.column_stack([before[:, 1], SIZE_PX[0] - 1 - before[:, 0]])
    assert np.allclose(after, expected, atol=0.01)
