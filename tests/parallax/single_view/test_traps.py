"""Mistakes that taking out parallax invites, each with its proof."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from tracer.parallax.single_view.prism import prism


def rough_box(seed: int) -> Polygon:
    """A box 40 x 150 mm, 300 mm out, with the noise of a measured contour."""
    ring = np.asarray(box(280, -75, 320, 75).exterior.segmentize(0.7).coords)[:-1]
    return Polygon(ring + np.random.default_rng(seed).normal(0, 0.1, ring.shape)).buffer(0)


def test_no_hairline_is_left_between_the_swept_edges() -> None:
    """Each edge sweeps a sliver of its own: spikes of no area and of millimetres remain."""
    for seed in range(4):
        back = prism(rough_box(seed), (0.0, 0.0), 1500.0, 30.0)
        # what is thinner than 0.02 mm, and how far it stands off the rest
        solid = back.buffer(-0.01, join_style="mitre").buffer(0.011, join_style="mitre")
        hairs = back.difference(solid)
        away = shapely.distance(shapely.points(shapely.get_coordinates(hairs)), solid)
        assert len(away) == 0 or away.max() < 0.1
