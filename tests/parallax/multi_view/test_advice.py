"""Where one more photo helps most: by symmetry, in other frames, and by trying all places."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.parallax.multi_view.solids import ring as circle
from tracer.parallax.multi_view.advice import NextPhoto, next_photo, open_edges, open_share
from tracer.parallax.multi_view.edges import Camera

COUNT = 48
OUT = circle(1.0, COUNT)
LEFT_SHARE = 0.28  # of the left parallax, as `bounds` states it


def disc(
    middle=(0.0, 0.0), open_from: float = 0.5, left: float = 3.0, z: float = 40.0
) -> SimpleNamespace:
    """A disc whose edge faces a way (1, 0); what faces further than a cosine that way is open."""
    side = OUT[:, 0] > open_from
    return SimpleNamespace(
        fit=SimpleNamespace(
            ring=SimpleNamespace(
                points_mm=np.array(middle) + 30 * OUT, middle_mm=np.full(COUNT, z)
            ),
            normal=OUT,
        ),
        quality=SimpleNamespace(one_sided=side, left_mm=np.where(side, left, 0.2)),
    )


def turned(ring: SimpleNamespace, turn: np.ndarray, shift: np.ndarray) -> SimpleNamespace:
    fit = SimpleNamespace(
        ring=SimpleNamespace(
            points_mm=ring.fit.ring.points_mm @ turn.T + shift, middle_mm=ring.fit.ring.middle_mm
        ),
        normal=ring.fit.normal @ turn.T,
    )
    return SimpleNamespace(fit=fit, quality=ring.quality)


WEST = Camera(np.array([-400.0, 0.0]), 1000.0)
QUARTERS = [np.array([[c, -s], [s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]


def ask(rings: list[SimpleNamespace], cameras: list[Camera], steps: int = 13) -> NextPhoto:
    found = next_photo(rings, [cameras] * len(rings), steps)  # type: ignore[arg-type]
    assert found is not None
    return found


@pytest.mark.parametrize("turn", QUARTERS)
@pytest.mark.parametrize("shift", [np.zeros(2), np.array([700.0, -250.0])])
def test_the_place_is_beyond_the_open_edge_wherever_the_lay_lies(turn, shift) -> None:
    plain = ask([disc()], [WEST])
    assert plain.nadir_mm[0] > 0 and plain.nadir_mm[1] == pytest.approx(0.0, abs=6.0)
    camera = Camera(turn @ WEST.nadir_mm + shift, WEST.height_mm)
    found = ask([turned(disc(), turn, shift)], [camera])
    there = found.nadir_mm - shift
    # the open edge is even about its axis: what lies on one side of it lies as well on the other
    mirrored = np.array(plain.nadir_mm) * (1, -1)
    assert min(
        np.linalg.norm(there - turn @ place) for place in (np.array(plain.nadir_mm), mirrored)
    ) == pytest.approx(0.0, abs=1e-6)
    assert found.before_mm == pytest.approx(plain.before_mm)
    assert found.after_mm == pytest.approx(plain.after_mm)


@pytest.mark.parametrize(("from_x", "sign"), [(-400.0, 1), (400.0, -1)])
def test_what_an_edge_gains_is_what_the_better_look_takes_away(from_x: float, sign: int) -> None:
    """One open sample: seen from the other side, right over it, nothing of its doubt is left."""
    ring = disc()
    ring.quality.one_sided = np.arange(COUNT) == 0
    found = ask([ring], [Camera(np.array([from_x, 0.0]), 1000.0)], 11)  # lines from -42 to 42
    assert found.before_mm == pytest.approx(LEFT_SHARE * 3.0)
    x = np.linspace(-42, 42, 11)
    rho = 30.0 - x  # the sample faces along x, at 30
    now = np.minimum(3.0, np.abs(rho) * 40 / 1000)
    # from the side that no photo has looked from 58 hundredths of what is left count
    after = LEFT_SHARE * np.where(sign * rho < 0, 0.58, 1.0) * now
    assert found.after_mm == pytest.approx(after.min())
    assert found.nadir_mm[0] == pytest.approx(x[after.argmin()])


def test_the_tool_that_gains_most_is_named() -> None:
    far = (900.0, 0.0)
    rings = [disc(left=1.5), disc(far, left=9.0), disc((900.0, 500.0), left=1.5)]
    found = ask(rings, [WEST])
    assert found.tool == 1
    assert abs(found.nadir_mm[0] - 900) < 150 and abs(found.nadir_mm[1]) < 150
    assert found.before_mm > found.after_mm > 0
    mean = np.mean([1.5, 9.0, 1.5])  # as many open samples each
    assert found.before_mm == pytest.approx(LEFT_SHARE * mean)


def test_small_gains_are_gains() -> None:
    ring = disc(left=1.1)
    ring.quality.one_sided = np.arange(COUNT) == 0
    assert ask([ring], [WEST]).after_mm < LEFT_SHARE * 1.1
    assert ask([disc()], [WEST], 1).nadir_mm == pytest.approx((-42, -42))  # the one place tried


def test_edges_that_are_seen_from_two_sides_or_hardly_move_are_not_open() -> None:
    ring = disc(left=1.01)
    assert open_edges(ring).tolist() == (OUT[:, 0] > 0.5).tolist()  # type: ignore[arg-type]
    assert open_share(ring) == pytest.approx(np.mean(OUT[:, 0] > 0.5))  # type: ignore[arg-type]
    assert not open_edges(disc(left=0.99)).any()  # type: ignore[arg-type]
    both = disc(left=9.0)
    both.quality.one_sided = np.zeros(COUNT, bool)
    assert next_photo([both], [[WEST]]) is None  # type: ignore[arg-type]
