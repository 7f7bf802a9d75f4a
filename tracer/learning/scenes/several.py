"""The same lay seen by several cameras, as a person takes photos of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.lays import Lay

__all__ = ["seen_from_several"]

#: How far apart two photos are taken, over the camera's height; most baselines of photos held by
#: hand over a lay are in between.
_BASELINES = (0.1, 0.6)
_REACH = 0.9  # farthest foot point from the tile's middle over the camera's height


def seen_from_several(lay: Lay, count: int, g: Generator) -> list[Lay]:
    """The lay, then the same lay from ``count - 1`` other places at about the same height.

    Light, sheet, cards and things are the very same; only the camera moves. Other cameras lie in
    all directions from the first one: in a row, in a triangle, as the draw has it.
    """
    x, y, height = (float(v) for v in lay.scene["cam"])
    views = [lay]
    turn = g.uniform(0, 2 * np.pi)
    while len(views) < count:
        tall = height * float(np.exp(g.normal(0, 0.08)))
        away = g.uniform(*_BASELINES) * height
        turn += g.choice([np.pi, g.uniform(0, 2 * np.pi)])
        foot = np.array([x + away * np.cos(turn), y + away * np.sin(turn)])
        far = float(np.hypot(*foot))
        foot *= min(1.0, _REACH * tall / max(far, 1e-9))
        scene = lay.scene.copy()
        scene["cam"] = [foot[0], foot[1], tall]
        views.append(replace(lay, scene=scene))
    return views
