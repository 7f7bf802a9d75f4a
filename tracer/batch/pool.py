"""Lays on the cores of this computer: one thread per place of work."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Sequence
from functools import partial

from tracer.batch.bench import Bench, Limits
from tracer.batch.order import LayOrder, LayRow

__all__ = ["do_here", "places_here"]

#: one lay of four 12-megapixel photos, which decide together, with room to spare, 1e6 bytes
LAY_MB = 1_200.0

Took = Callable[[LayRow], None]
Told = Callable[[str, str], None]


def places_here(asked: int | None = None) -> int:
    """How many lays at once: as asked, else by cores and free memory."""
    if asked is not None:
        return asked
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(cores or 1, int(_free_mb() / LAY_MB)))


def _free_mb() -> float:
    try:
        with open("/proc/meminfo", encoding="ascii") as stream:  # noqa: PTH123
            kilobytes = next(line for line in stream if line.startswith("MemAvailable")).split()[1]
        return int(kilobytes) * 1024 / 1e6
    except (OSError, StopIteration, ValueError):
        return 4 * LAY_MB  # not told: as a small computer has


def do_here(
    orders: Sequence[LayOrder],
    out: str,
    *,
    places: int,
    limits: Limits,
    took: Took,
    told: Told,
) -> None:
    """Do all lays; ``took`` receives each row in this thread, ``told`` lay and step from others.

    Raises
    ------
    KeyboardInterrupt
        After every process was ended.
    """
    waiting: queue.SimpleQueue[LayOrder] = queue.SimpleQueue()
    for order in orders:
        waiting.put(order)
    rows: queue.SimpleQueue[LayRow | BaseException] = queue.SimpleQueue()
    benches = [Bench(limits) for _ in range(min(places, max(len(orders), 1)))]

    def serve(bench: Bench) -> None:
        while True:
            try:
                order = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                rows.put(bench.do(order, out, partial(told, order.name)))
            except BaseException as error:  # to the thread that waits, which raises it
                rows.put(error)
                return

    threads = [threading.Thread(target=serve, args=(b,), daemon=True) for b in benches]
    for thread in threads:
        thread.start()
    try:
        for _ in orders:
            row = rows.get()
            if isinstance(row, BaseException):
                raise row
            took(row)
    finally:
        for bench in benches:
            bench.close()
        for thread in threads:
            thread.join(timeout=5)
