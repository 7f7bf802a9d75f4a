"""``tracer batch``: many lays in one go."""

from __future__ import annotations

import json
import time
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console
from tracer.cli.option_words import with_options
from tracer.cli.options import Json, Quiet, number, whole, with_range

__all__ = ["batch"]

#: a line of progress where it cannot be drawn over
_LINE_EVERY_S = 10.0


def batch(
    source: Annotated[
        str,
        typer.Argument(
            metavar="MANIFEST.csv|FOLDER",
            help="Lays to do: a list with the columns lay and photos (and tools, card_size, height,"
            " camera_height, plan, machine, material, thickness), or a folder of lays.",
        ),
    ],
    out: Annotated[
        str,
        typer.Option(metavar="FOLDER", help="Where the job folders and the table go."),
    ],
    workers: Annotated[
        Any,
        typer.Option(
            parser=whole("--workers"),
            metavar="N",
            help=with_range("Lays at once (default: by cores and free memory).", "--workers"),
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="A dask cluster that is there already, e.g. tcp://host:8786."
        ),
    ] = None,
    plain: Annotated[
        bool,
        typer.Option("--plain", help="Processes of this computer, though dask is installed."),
    ] = False,
    memory: Annotated[
        Any,
        typer.Option(
            parser=number("--memory"),
            metavar="MB",
            help=with_range("A lay that needs more is stopped.", "--memory"),
        ),
    ] = "3000",
    at_most: Annotated[
        Any,
        typer.Option(
            parser=number("--at-most"),
            metavar="SECONDS",
            help=with_range("A lay that takes longer is stopped.", "--at-most"),
        ),
    ] = "1200",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Many lays in one go: job folders, results.csv and lays.html.

    Each lay is traced; where a plan is named it is arranged, where a machine is named it is cut.
    Called again it does what is missing, failed or changed, and leaves the rest. With --json one
    object a line: steps and lays as they come, the sums at the end.
    """
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.batch.bench import Limits
    from tracer.batch.manifest import read_orders
    from tracer.batch.run import BatchOptions, run_batch

    entries = read_orders(source)
    watcher = _Watcher(console)
    for entry in entries:
        watcher.refused(entry)
    board = run_batch(
        entries,
        out,
        options=BatchOptions(
            places=workers, scheduler=scheduler, plain=plain, limits=Limits(memory, at_most)
        ),
        watcher=watcher,
    )
    watcher.end(board, out)
    if board.failed or any(row.failed_checks for row in board.rows):
        raise typer.Exit(EXIT_CHECK_FAILED)


class _Watcher:
    """Words or JSON lines about a batch."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._now: dict[str, str] = {}
        self._told_at = time.monotonic()
        self._board: Any = None

    def step(self, lay: str, step: str) -> None:
        """A lay begins a step."""
        self._now[lay] = step
        self._line({"event": "step", "lay": lay, "step": step})
        self._tell(lasting=False)

    def row(self, row: Any, board: Any) -> None:
        """A lay is over."""
        from tracer.batch.order import State, row_record

        self._now.pop(row.name, None)
        self._board = board
        self._line({"event": "lay", **row_record(row)})
        if row.state is State.FAILED:
            self._console.note_line(f"{row.name}: {with_options(row.slug, row.sentence)}")
        self._tell(lasting=True)

    def refused(self, entry: Any) -> None:
        """Tell a lay that cannot be done; one that can is told when it is over."""
        from tracer.batch.order import LayRow, row_record

        if isinstance(entry, LayRow):
            self._line({"event": "lay", **row_record(entry)})
            self._console.note_line(f"{entry.name}: {with_options(entry.slug, entry.sentence)}")

    def end(self, board: Any, out: str) -> None:
        """All lays are over."""
        self._console.finish()
        checks = sum(row.failed_checks > 0 for row in board.rows)
        self._line(
            {
                "event": "end",
                "lays": len(board.rows),
                "failed": board.failed,
                "with_failed_checks": checks,
                "lays_per_second": round(board.per_second, 4),
                "out": out,
            }
        )
        if not self._console.as_json:
            text = f"{len(board.rows)} lays: {board.failed} failed"
            text += f", {checks} with failed checks" if checks else ""
            self._console.result({}, f"{text}. Table and pictures in {out}")

    def _line(self, record: dict[str, Any]) -> None:
        if self._console.as_json:
            print(json.dumps(record, sort_keys=True), file=self._console.out, flush=True)

    def _tell(self, *, lasting: bool) -> None:
        text = self._text()
        if self._console.lively:
            self._console.status(text)
        elif lasting and time.monotonic() - self._told_at >= _LINE_EVERY_S:
            self._told_at = time.monotonic()
            self._console.say(text)

    def _text(self) -> str:
        board = self._board
        now = ", ".join(f"{lay}: {step}" for lay, step in list(self._now.items())[:4])
        if board is None:
            return now
        parts = [f"{board.done} of {len(board.rows)} lays"]
        if board.failed:
            parts.append(f"{board.failed} failed")
        if board.per_second > 0:
            parts.append(f"{60 * board.per_second:.1f} a minute")
        if (left := board.remaining_s) is not None:
            parts.append(f"about {_duration(left)} left")
        return ", ".join(parts) + (f" ({now})" if now else "")


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
