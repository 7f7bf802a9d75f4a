"""Other programs at the same job: what they write is shown, what they take away is told."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable

from anyio.to_thread import run_sync

from tracer.desk.jobs import DeskJob

__all__ = ["EVERY_S", "watch"]

EVERY_S = 1.0


async def watch(jobs: Callable[[], Iterable[DeskJob]], every_s: float = EVERY_S) -> None:
    """Look at the jobs that a page has opened, for as long as the desk runs."""
    while True:
        await asyncio.sleep(every_s)
        for job in [j for j in jobs() if j.opened]:
            await run_sync(job.look, abandon_on_cancel=True)
