"""Worker processes that draw lays ahead of the renderer."""

from __future__ import annotations

from multiprocessing.queues import Queue
from typing import Any

import numpy as np
import torch

from tracer.learning.scenes.lays import Lay, random_lay
from tracer.learning.scenes.several import seen_from_several

__all__ = ["draw", "draw_in_parallel", "start_workers"]

_COARSE_ODDS = 0.7  # tiles of 1 mm cells; the others are finer for the most part
_CELLS_MM = (0.45, 1.25)


def draw(seed: int, count: int, size: int, views: int = 1) -> list[Lay]:
    """``count`` tiles; each lay stands ``views`` times in a row, from another camera each time.

    ``count`` is a multiple of ``views``.
    """
    found: list[Lay] = []
    for i in range(count // views):
        g = np.random.default_rng([seed, i])
        cell = 1.0 if g.random() < _COARSE_ODDS else float(np.exp(g.uniform(*np.log(_CELLS_MM))))
        lay = random_lay(g, size, cell, views > 1)
        found += seen_from_several(lay, views, g)
    return found


def _work(
    queue: Queue[list[Lay]], seed: int, stride: int, chunk: int, size: int, views: int
) -> None:
    torch.set_num_threads(1)
    while True:
        queue.put(draw(seed, chunk, size, views))
        seed += stride


def start_workers(
    context: Any, queue: Queue[list[Lay]], seed: int, count: int, chunk: int, size: int, views: int
) -> list[Any]:
    """Processes that fill the queue with chunks of lays, each from seeds of its own."""
    workers = [
        context.Process(
            target=_work, args=(queue, seed + i, count, chunk, size, views), daemon=True
        )
        for i in range(count)
    ]
    for w in workers:
        w.start()
    return workers


def draw_in_parallel(
    context: Any, seed: int, total: int, chunk: int, size: int, views: int, workers: int
) -> list[list[Lay]]:
    """Chunks of lays from consecutive seeds, ``total`` tiles in all."""
    parts = [(seed + k, min(chunk, total - k), size, views) for k in range(0, total, chunk)]
    with context.Pool(min(workers, len(parts))) as helpers:
        return list(helpers.starmap(draw, parts, chunksize=1))
