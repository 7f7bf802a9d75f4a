"""Rings as the solver takes them: deviations belong to their own points, spikes go, holes stay."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.advice import open_side
from tracer.parallax.multi_view.edges import cleaned
from tracer.parallax.multi_view.together import silhouette_rings, silhouette_shares

SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)]
SIGMA = np.array([0.1, 0.2, 0.3, 0.4])
HOLE = [(40.0, 20.0), (40.0, 40.0), (60.0, 40.0), (60.0, 20.0)]


def silhouette(
    ring: list[tuple[float, float]], sigma: np.ndarray, holes: list[object]
) -> Silhouette:
    return Silhouette(
        "S01",
        "a",
        Polygon(ring, holes),  # type: ignore[arg-type]
        sigma,
        0.9,
        np.ones(4),
        np.empty(0),
        holes_sigma_mm=(0.7,),
    )


@pytest.mark.parametrize("backwards", [False, True])
def test_each_point_keeps_its_own_deviation_whichever_way_the_ring_runs(backwards: bool) -> None:
    ring, sigma = (SQUARE[::-1], SIGMA[::-1]) if backwards else (SQUARE, SIGMA)
    rings, spreads = silhouette_rings(silhouette(ring, sigma, []))
    by_point = {tuple(p): s for p, s in zip(rings[0].tolist(), spreads[0].tolist(), strict=True)}
    assert by_point == dict(zip(SQUARE, SIGMA.tolist(), strict=True))


@pytest.mark.parametrize("backwards", [False, True])
def test_each_point_keeps_its_own_share_whichever_way_the_ring_runs(backwards: bool) -> None:
    ring, share = (SQUARE[::-1], SIGMA[::-1]) if backwards else (SQUARE, SIGMA)
    shown = replace(
        silhouette(ring, SIGMA, [HOLE]), edge_height=share, edge_height_sigma=share / 10
    )
    rings, _ = silhouette_rings(shown)
    outer, hole = silhouette_shares(shown, rings)
    by_point = {tuple(p): s for p, s in zip(rings[0].tolist(), outer[:, 0].tolist(), strict=True)}
    assert by_point == dict(zip(SQUARE, SIGMA.tolist(), strict=True))
    assert outer[:, 1] == pytest.approx(outer[:, 0] / 10)
    assert np.isnan(hole).all()
    assert np.isnan(silhouette_shares(silhouette(ring, SIGMA, []), rings[:1])[0]).all()


def test_holes_have_deviations_of_their_own_or_the_middle_one() -> None:
    second = [(10.0, 10.0), (10.0, 15.0), (15.0, 15.0), (15.0, 10.0)]
    rings, spreads = silhouette_rings(silhouette(SQUARE, SIGMA, [HOLE, second]))
    assert [len(r) for r in rings] == [4, 4, 4]
    assert spreads[1].tolist() == [0.7] * 4
    assert spreads[2].tolist() == [0.25] * 4  # the median of the exterior's


def test_a_spike_goes_and_a_corner_stays() -> None:
    spiked = [(0, 0), (50, 0), (50.1, -30), (50.2, 0), (100, 0), (100, 60), (0, 60)]
    outer = cleaned(np.array(spiked, float), hole=False)
    assert outer.bounds[1] > -0.7  # half a millimetre of opening at the spike's foot
    assert outer.area == pytest.approx(6000, abs=3)
    # of a hole the material between two of its parts is what may be too thin: a slit into it stays
    slit = Polygon(SQUARE).difference(box(49.8, -1, 50.2, 30))
    inner = cleaned(np.asarray(slit.exterior.coords)[:-1], hole=True)
    assert inner.area > slit.area + 5


def test_open_edges_that_face_one_way_say_which() -> None:
    normal = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])

    def ring(left: list[float]) -> SimpleNamespace:
        quality = SimpleNamespace(left_mm=np.array(left), one_sided=np.ones(4, bool))
        return SimpleNamespace(fit=SimpleNamespace(normal=normal), quality=quality)

    assert open_side(ring([5.0, 0.0, 0.0, 0.0])) == pytest.approx([1, 0])  # type: ignore[arg-type]
    assert open_side(ring([0.0, 0.0, 0.0, 4.0])) == pytest.approx([0, -1])  # type: ignore[arg-type]
    assert open_side(ring([0.0] * 4)) is None  # type: ignore[arg-type]
    assert open_side(ring([5.0] * 4)) is None  # type: ignore[arg-type]
