"""A photo more for the same lay: nothing that was known becomes less sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.parallax.multi_view.damage import grown, moved_tool, with_region
from tests.parallax.multi_view.lays import Lay, scores
from tests.parallax.multi_view.solids import AROUND_4, bench_lay
from tracer.geometry.compare import iou
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.panel_plan import FitClass
from tracer.panel.pocket.clearance import room_for
from tracer.panel.pocket.fits import FITS
from tracer.parallax.multi_view.views import SolvedTool, ViewsSolution, solve_views

NAMES = ("driver", "torch", "spanner", "block")
FIRST = (0, 0, 0)


@pytest.fixture(scope="module")
def lay() -> Lay:
    return bench_lay(AROUND_4, names=NAMES)


@pytest.fixture(scope="module")
def before(lay) -> ViewsSolution:
    three = lay.photos(0, 1, 2)
    return solve_views(three.silhouettes, three.views)


def pairs(before: ViewsSolution, after: ViewsSolution) -> list[tuple[SolvedTool, SolvedTool]]:
    return [
        (old, max(after.tools, key=lambda t: iou(t.region, old.region))) for old in before.tools
    ]


def fourth(lay: Lay, kind: str) -> Lay:
    """The lay with its fourth photo as it is, or spoilt in one way or another."""
    some = lay.silhouettes[3]
    if kind == "swollen":
        return grown(lay, 3.0, photos=(3,))
    if kind == "vague":
        spoilt = tuple(replace(s, sigma_mm=np.full(len(s.sigma_mm), 5.0)) for s in some)
    elif kind == "moved":
        spoilt = tuple(with_region(s, moved_tool(s.region, 4.0, 3.0, 2.0)) for s in some)
    else:
        return lay
    return Lay(lay.views, (*lay.silhouettes[:3], spoilt), lay.tools)


@pytest.mark.parametrize("kind", ["sound", "swollen", "vague", "moved"])
def test_no_tool_is_less_sure_and_no_pocket_looser_with_a_photo_more(lay, before, kind) -> None:
    more = fourth(lay, kind)
    after = solve_views(more.silhouettes, more.views, added=[*FIRST, 1])
    assert len(after.tools) == len(before.tools)
    for old, new in pairs(before, after):
        assert new.sigma_mm <= old.sigma_mm
        assert widening(new) <= widening(old) + 0.05  # drawn from 1000 tools: hundredths


def widening(tool) -> float:
    """Mean distance in mm from the solved edge to the wall that is cut for it."""
    room = room_for(outline_of(tool), FITS[FitClass.SNUG], 0.9)
    return (room.wall.area - tool.region.area) / room.wall.length


def outline_of(tool) -> Outline:
    """The solved tool as the panel takes it: three photos, nothing bounded from outside."""
    return Outline(
        "T01", "file", tool.region, 10, HeightSource.MEASURED, EdgeModel.VIEWS, tool.sigma_mm,
        tool.sigma_ring_mm, 0.0, 1.0, ("p", "q", "r"), (0.0, 0.0),
    )  # fmt: skip


def test_a_sound_photo_is_taken_in(lay, before) -> None:
    """Negative control for the test above: it could be passed by never using the photo."""
    after = solve_views(lay.silhouettes, lay.views, added=[*FIRST, 1])
    gained = [new.sigma_mm < old.sigma_mm for old, new in pairs(before, after)]
    assert np.mean(gained) >= 0.5
    together = solve_views(lay.silhouettes, lay.views)
    assert np.median(scores(after, lay)[:, 0]) < np.median(scores(together, lay)[:, 0]) + 0.05


def test_a_spoilt_photo_does_not_spoil_the_outlines(lay, before) -> None:
    swollen = fourth(lay, "swollen")
    after = solve_views(swollen.silhouettes, swollen.views, added=[*FIRST, 1])
    assert (scores(after, lay)[:, 0] < scores(before, lay)[:, 0] + 0.15).all()


def test_a_tool_that_one_photo_shows_shifted_is_solved_without_it(lay) -> None:
    shifted = list(lay.silhouettes[2])
    shifted[1] = with_region(shifted[1], moved_tool(shifted[1].region, 5.0, 4.0, 0.0))
    found = Lay(lay.views, (*lay.silhouettes[:2], tuple(shifted), lay.silhouettes[3]), lay.tools)
    solution = solve_views(found.silhouettes, found.views)
    assert "tool-moved" in {c.slug for c in solution.checks}
    used = [t.photo_ids for t in solution.tools]
    assert sorted(map(len, used)) == [3, 4, 4, 4]
    sound = scores(solve_views(lay.silhouettes, lay.views), lay)[1, 0]
    assert scores(solution, lay)[1, 0] < sound + 0.15
