"""A whole batch: hands the lays out, keeps the table whole, tells how far it is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from tracer.batch.bench import Limits
from tracer.batch.cluster import do_on_cluster, has_cluster
from tracer.batch.contact_sheet import contact_sheet_html
from tracer.batch.order import LayOrder, LayRow, State
from tracer.batch.places import beside, is_remote, local_path, store_of, write_bytes
from tracer.batch.pool import do_here, places_here
from tracer.batch.table import table_csv
from tracer.batch.work import keep_row
from tracer.errors import TracerError

__all__ = ["BatchOptions", "Board", "Watcher", "run_batch"]

TABLE, SHEET = "results.csv", "lays.html"
#: the page of pictures is for looking at: made again at most this often while lays come in
_SHEET_EVERY_S = 10.0


@dataclass(frozen=True, kw_only=True)
class BatchOptions:
    """How a batch is done.

    Attributes
    ----------
    places
        Lays at once; None: by cores and memory.
    scheduler
        Address of a cluster's scheduler.
    plain
        Do without a cluster though its extra is installed.
    """

    places: int | None = None
    scheduler: str | None = None
    plain: bool = False
    limits: Limits = field(default_factory=Limits)


class Watcher(Protocol):
    """Receiver of what happens; called from several threads, one at a time."""

    def step(self, lay: str, step: str) -> None:
        """A lay begins a step."""
        ...

    def row(self, row: LayRow, board: Board) -> None:
        """A lay is over."""
        ...


class Board:
    """Rows of all lays in the order of the manifest, and how fast they come."""

    def __init__(self, names: Sequence[str], clock: Callable[[], float] = time.monotonic) -> None:
        self._rows = {name: LayRow(name=name, state=State.WAITING) for name in names}
        self._clock = clock
        self._began = clock()
        self._worked = 0

    @property
    def rows(self) -> list[LayRow]:
        """All rows as they are now."""
        return list(self._rows.values())

    @property
    def done(self) -> int:
        """Lays that are over, failed ones too."""
        return sum(row.state is not State.WAITING for row in self._rows.values())

    @property
    def failed(self) -> int:
        """Lays that failed."""
        return sum(row.state is State.FAILED for row in self._rows.values())

    @property
    def per_second(self) -> float:
        """Lays a second, those that were done earlier not counted."""
        spent = self._clock() - self._began
        return self._worked / spent if spent > 0 else 0.0

    @property
    def remaining_s(self) -> float | None:
        """Seconds that the waiting lays will take at this rate; None while nothing is known."""
        rate = self.per_second
        return (len(self._rows) - self.done) / rate if rate > 0 else None

    def take(self, row: LayRow) -> None:
        """A lay is over."""
        self._rows[row.name] = row
        self._worked += row.state is not State.KEPT


def run_batch(
    entries: Sequence[LayOrder | LayRow],
    out: str,
    *,
    options: BatchOptions | None = None,
    watcher: Watcher,
) -> Board:
    """Do all lays that have no result yet from the same inputs.

    Parameters
    ----------
    entries
        What to do, and rows of lays that cannot be done, as `tracer.batch.manifest` gives them.
    out
        Address of the folder for job folders, ``results.csv`` and ``lays.html``.

    Raises
    ------
    TracerError
        ``file-unwritable`` when the table could not be written at the end, and what the cluster
        raises. A lay that fails raises nothing.
    """
    options = options or BatchOptions()
    _prepare(out)
    orders = [entry for entry in entries if isinstance(entry, LayOrder)]
    board = Board([entry.name for entry in entries])
    for entry in entries:
        if isinstance(entry, LayRow):
            board.take(entry)
    keeper = _Keeper(out, board, watcher)
    keeper.write(last=False)
    try:
        if orders and (options.scheduler or (has_cluster() and not options.plain)):
            do_on_cluster(
                orders,
                out,
                places=places_here(options.places),
                limits=options.limits,
                took=keeper.took,
                told=keeper.told,
                scheduler=options.scheduler,
            )
        else:
            do_here(
                orders,
                out,
                places=places_here(options.places),
                limits=options.limits,
                took=keeper.took,
                told=keeper.told,
            )
    finally:
        keeper.write(last=True)
    return board


def _prepare(out: str) -> None:
    try:
        if is_remote(out):
            system, path = store_of(out)
            system.makedirs(path, exist_ok=True)
        else:
            local_path(out).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TracerError(
            "file-unwritable",
            f"The folder {out} cannot be made: {error.strerror or error}.",
            "Choose another folder, or check its rights.",
        ) from error


class _Keeper:
    """Takes rows as they come, one at a time, and keeps the files whole."""

    def __init__(self, out: str, board: Board, watcher: Watcher) -> None:
        self._out = out
        self._board = board
        self._watcher = watcher
        self._lock = threading.Lock()
        self._sheet_at = -_SHEET_EVERY_S

    def told(self, lay: str, step: str) -> None:
        with self._lock:
            self._watcher.step(lay, step)

    def took(self, row: LayRow) -> None:
        with self._lock:
            self._board.take(row)
            if row.state is State.FAILED and not row.digest:
                self._keep(row)
            self._watcher.row(row, self._board)
        self.write(last=False)

    def _keep(self, row: LayRow) -> None:
        """A lay whose process died could not keep its row itself."""
        try:
            keep_row(self._out, row)
        except TracerError:
            return  # the table tells it; without a kept row it is done again, as it should

    def write(self, *, last: bool) -> None:
        """Table and page; a full disk in the middle is met again at the end."""
        with self._lock:
            rows = self._board.rows
            try:
                write_bytes(beside(self._out, TABLE), table_csv(rows))
                if last or time.monotonic() - self._sheet_at > _SHEET_EVERY_S:
                    write_bytes(beside(self._out, SHEET), contact_sheet_html(rows))
                    self._sheet_at = time.monotonic()
            except TracerError:
                if last:
                    raise
