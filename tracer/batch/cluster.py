"""Lays on a dask cluster: one of this computer, or one that is there already.

The cluster does the scheduling; each of its workers keeps a `Bench`, so that a lay that takes its
process down does not take the worker with it. What a lost worker or scheduler had not finished is
handed out again; a lay that was finished meanwhile is known by its kept row.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from typing import Any

from tracer.batch.bench import Bench, Limits
from tracer.batch.order import LayOrder, LayRow, State, order_from_record, row_from_record
from tracer.batch.order import row_record as as_record
from tracer.errors import TracerError, UsageError

__all__ = ["do_on_cluster", "has_cluster"]

_TOPIC = "tracer-lays"
#: deaths of workers that a lay may live through: a worker lost is no fault of the lay, whose own
#: process is another; dask's usual 3 would give up lays that are longer than workers live
ALLOWED_FAILURES = 100
#: how long a lost scheduler is waited for
_PATIENCE_S = 600.0

Took = Callable[[LayRow], None]
Told = Callable[[str, str], None]

#: on a worker: one bench per thread
_own = threading.local()


def has_cluster() -> bool:
    """Whether the extra is installed."""
    try:
        import distributed  # noqa: F401
    except ImportError:
        return False
    return True


def do_on_cluster(
    orders: Sequence[LayOrder],
    out: str,
    *,
    places: int,
    limits: Limits,
    took: Took,
    told: Told,
    scheduler: str | None = None,
) -> None:
    """Do all lays; ``took`` receives each row once, ``told`` lay and step.

    Parameters
    ----------
    scheduler
        Address of a cluster's scheduler; None: a cluster of ``places`` workers, one thread each,
        on this computer for the time of the call.

    Raises
    ------
    TracerError
        ``cluster-lost``.
    UsageError
        ``cluster-needs-extra``, ``cluster-unreachable``.
    """
    if not has_cluster():
        raise UsageError(
            "cluster-needs-extra",
            "A cluster needs dask.distributed, which is not installed.",
            "Install it: pip install 'tracer[cluster]'. Without it name no cluster: the lays are"
            " done on this computer.",
        )
    # what dask says of connections stands in our own sentences
    for name in [n for n in logging.root.manager.loggerDict if n.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL)  # each has a level of its own
    waiting = {order.name: order for order in orders}
    deadline: float | None = None
    with _cluster(scheduler, places) as address:
        while waiting:
            try:
                with _client(address, first=deadline is None) as client:
                    deadline = time.monotonic() + _PATIENCE_S
                    _hand_out(client, waiting, out, limits, took, told)
            except _lost_errors() as error:
                if deadline is None or time.monotonic() > deadline:
                    raise TracerError(
                        "cluster-lost",
                        f"The scheduler at {address} does not answer any more"
                        f" ({type(error).__name__}).",
                        "Start it again and repeat the command: what is done is not done again.",
                    ) from error
                time.sleep(1.0)


@contextlib.contextmanager
def _cluster(scheduler: str | None, places: int) -> Iterator[str]:
    import dask
    import distributed

    with dask.config.set({"distributed.scheduler.allowed-failures": ALLOWED_FAILURES}):
        if scheduler is not None:
            yield scheduler
            return
        with distributed.LocalCluster(
            n_workers=places,
            threads_per_worker=1,
            processes=True,
            memory_limit=0,  # the lays' own processes are watched instead
            dashboard_address=None,
            host="127.0.0.1",
            silence_logs=50,
        ) as cluster:
            yield str(cluster.scheduler_address)


@contextlib.contextmanager
def _client(address: str, *, first: bool) -> Iterator[Any]:
    import distributed

    try:
        client = distributed.Client(address, timeout=10, set_as_default=False)
    except (OSError, TimeoutError, ValueError, AttributeError) as error:
        if not first:
            raise OSError(str(error)) from error
        raise UsageError(
            "cluster-unreachable",
            f"There is no scheduler at {address}: {error}.",
            "Write it as the scheduler prints it, for example tcp://127.0.0.1:8786.",
        ) from error
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):  # a lost scheduler cannot be said goodbye to
            client.close(timeout=2)


def _lost_errors() -> tuple[type[BaseException], ...]:
    from concurrent.futures import CancelledError as Cancelled

    from distributed.comm.core import CommClosedError

    return (OSError, TimeoutError, Cancelled, CommClosedError, _SchedulerLost)


class _SchedulerLost(Exception):
    """The scheduler forgot what it was given."""


def _hand_out(
    client: Any,
    waiting: dict[str, LayOrder],
    out: str,
    limits: Limits,
    took: Took,
    told: Told,
) -> None:
    """Submit what waits, take rows as they come, strike them off ``waiting``."""
    import distributed

    with contextlib.suppress(Exception):  # a scheduler of another version keeps its own number
        client.run_on_scheduler(_allow_failures)
    client.subscribe_topic(_TOPIC, lambda event: _tell(event, told))
    futures = {
        client.submit(
            _on_worker,
            asdict(order),
            out,
            asdict(limits),
            key=f"lay-{order.name}-{time.monotonic_ns()}",
            pure=False,
        ): order
        for order in waiting.values()
    }
    for future in distributed.as_completed(futures, loop=client.loop):
        order = futures[future]
        if future.status == "finished":
            row = row_from_record(future.result())
        elif future.status == "error":
            row = _after_error(order, future.exception())
        else:
            raise _SchedulerLost
        waiting.pop(order.name)
        took(row)
        future.release()


def _after_error(order: LayOrder, error: BaseException) -> LayRow:
    """A row for a lay that the cluster gave up."""
    return LayRow(
        name=order.name,
        state=State.FAILED,
        sentence=f"The cluster gave it up: {type(error).__name__}. Trace it alone to see why.",
        slug="lay-kills",
    )


def _tell(event: Any, told: Told) -> None:
    with contextlib.suppress(TypeError, KeyError, IndexError):
        _, body = event
        told(str(body["lay"]), str(body["step"]))


def _allow_failures(dask_scheduler: Any) -> None:
    dask_scheduler.allowed_failures = max(dask_scheduler.allowed_failures, ALLOWED_FAILURES)


def _on_worker(order: dict[str, Any], out: str, limits: dict[str, float]) -> dict[str, Any]:
    """Runs on a worker of the cluster."""
    import distributed

    if getattr(_own, "bench", None) is None:
        _own.bench = Bench(Limits(**limits))
    worker = distributed.get_worker()
    asked = order_from_record(order)

    def tell(step: str) -> None:
        worker.log_event(_TOPIC, {"lay": asked.name, "step": step})

    return as_record(_own.bench.do(asked, out, tell))
