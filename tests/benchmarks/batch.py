"""Speed, memory and safety of batches: lays repeated with changed exposure.

Run ``python -m tests.benchmarks.batch SCENES --lays 200 --out FOLDER``. Prints seconds of one place
and of two, their ratio, the share of time that is not work on a lay, peak memory, and what is left
after processes were killed every so many seconds, or after a whole cluster was killed and started
again (``--parts restart``). Lays of one run differ in exposure, so that none is known from another.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import itertools
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from tracer.batch.bench import Limits
from tracer.batch.manifest import read_orders
from tracer.batch.order import LayRow, State
from tracer.batch.run import BatchOptions, Board, run_batch


def repeated(scenes: list[Path], target: Path, lays: int, width_px: int) -> None:
    """So many lays from the first photos of the scenes, each with an exposure of its own."""
    photos = itertools.cycle(scenes)
    for k in range(lays):
        source = next(photos)
        folder = target / f"{k:03d}-{source.parent.name}"
        folder.mkdir(parents=True, exist_ok=True)
        image = Image.open(source)
        exif = image.getexif()
        height_px = round(image.height * width_px / image.width)
        small = np.asarray(image.resize((width_px, height_px), Image.Resampling.LANCZOS))
        factor = 2.0 ** (0.4 * (k / max(lays - 1, 1) - 0.5))  # a fifth of a stop up or down
        bright = np.clip(small.astype(np.float32) * factor, 0, 255).astype(np.uint8)
        Image.fromarray(bright).save(folder / "photo.jpg", quality=92, exif=exif)


@dataclass
class Quiet:
    """A watcher that prints a dot a lay."""

    def step(self, lay: str, step: str) -> None:
        """Nothing."""

    def row(self, row: LayRow, board: Board) -> None:
        """One dot."""
        print("." if row.state is not State.FAILED else "x", end="", flush=True)


@contextlib.contextmanager
def killing(every_s: float) -> Iterator[list[int]]:
    """Every so often, one of the processes that do lays is killed."""
    killed: list[int] = []
    over = threading.Event()

    def kill() -> None:
        while not over.wait(every_s):
            listed = subprocess.run(
                ["pgrep", "-f", "tracer.batch.child"], capture_output=True, text=True, check=False
            ).stdout.split()
            if listed:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(int(listed[len(killed) % len(listed)]), signal.SIGKILL)
                    killed.append(int(listed[0]))

    thread = threading.Thread(target=kill)
    thread.start()
    try:
        yield killed
    finally:
        over.set()
        thread.join()


def measured(source: Path, out: Path, places: int, plain: bool) -> tuple[float, Board]:
    """Seconds of a batch and its rows."""
    shutil.rmtree(out, ignore_errors=True)
    began = time.perf_counter()
    board = run_batch(
        read_orders(str(source)),
        str(out),
        options=BatchOptions(places=places, plain=plain, limits=Limits(seconds=600)),
        watcher=Quiet(),
    )
    print()
    return time.perf_counter() - began, board


def line(title: str, seconds: float, board: Board, places: int) -> None:
    """One line of the table."""
    rows = board.rows
    work = sum(row.seconds for row in rows)
    idle = 100 * (1 - work / (seconds * places))
    peak = max(row.memory_mb for row in rows)
    states = {s.value: sum(r.state is s for r in rows) for s in State}
    print(
        f"{title:<34} {seconds:8.1f} s {idle:6.1f} % not on a lay, peak {peak:.0f} MB a process,"
        f" {states}"
    )


def whole(out: Path, lays: int) -> str:
    """Whether every lay has one row, and every lay that was not refused one whole job folder."""
    with (out / "results.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    names = [row["lay"] for row in rows]
    expected = sorted(row["lay"] for row in rows if row["state"] in {"done", "kept"})
    jobs = sorted(p.name.removesuffix(".job") for p in out.glob("*.job"))
    torn = [p for p in out.glob("*.job/.commit")] + [p for p in out.glob("*.job/.next")]
    good = len(names) == len(set(names)) == lays and jobs == expected and not torn
    refused = len(names) - len(expected)
    return (
        f"every lay once and whole, {refused} refused"
        if good
        else f"NOT WHOLE: {len(names)} rows, {len(expected)} done, {len(jobs)} jobs, "
        f"{len(torn)} torn"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--lays", type=int, default=200)
    parser.add_argument("--width-px", type=int, default=2016)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--kill-every", type=float, default=30.0)
    parser.add_argument("--cluster", action="store_true", help="dask in place of plain processes")
    parser.add_argument(
        "--parts", nargs="+", choices=("speed", "kills", "restart"), default=["speed", "kills"]
    )
    asked = parser.parse_args()
    photos = sorted(p for folder in asked.scenes for p in folder.rglob("photo_1.jpg"))
    source = asked.out / "lays"
    repeated(photos, source, asked.lays, asked.width_px)
    plain = not asked.cluster
    if "speed" in asked.parts:
        speed(source, asked.out, plain)
    if "kills" in asked.parts:
        kills(source, asked.out, asked.lays, asked.kill_every, plain)
    if "restart" in asked.parts:
        restart(source, asked.out, asked.lays)


def speed(source: Path, out: Path, plain: bool) -> None:
    """One place against two, and once more with nothing to do."""
    spent = {}
    for places in (1, 2):
        spent[places], board = measured(source, out / f"of-{places}", places, plain)
        line(f"{places} at once", spent[places], board, places)
    print(f"speed-up {spent[1] / spent[2]:.2f}")
    again, board = measured_again(source, out / "of-2", plain)
    line("the same again", again, board, 2)


def kills(source: Path, out: Path, lays: int, every_s: float, plain: bool) -> None:
    """Two places, of which one is killed every so often."""
    with killing(every_s) as killed:
        seconds, board = measured(source, out / "killed", 2, plain)
    line(f"one killed every {every_s:g} s ({len(killed)})", seconds, board, 2)
    print(whole(out / "killed", lays))


@contextlib.contextmanager
def own_cluster(port: int) -> Iterator[None]:
    """A scheduler and two workers of one thread, as processes of their own; killed at the end."""
    where = f"tcp://127.0.0.1:{port}"
    scheduler = ["dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = ["dask_worker", where, "--nthreads", "1", "--no-dashboard", "--memory-limit", "0"]
    running = [
        subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{words[0]}", *words[1:]],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        for words in (scheduler, worker, worker)
    ]
    try:
        yield
    finally:
        for process in running:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def restart(source: Path, out: Path, lays: int, port: int = 28786) -> None:
    """A cluster killed as a whole when a third of its lays are done, and started again."""
    over, killed = threading.Event(), threading.Event()

    def lives() -> None:
        with own_cluster(port):
            while not over.is_set() and done_in(out / "restarted") < lays // 3:
                time.sleep(0.5)
        killed.set()
        time.sleep(5.0)
        with own_cluster(port):
            over.wait()

    thread = threading.Thread(target=lives)
    shutil.rmtree(out / "restarted", ignore_errors=True)
    thread.start()
    time.sleep(5.0)  # the scheduler must listen before it is spoken to
    began = time.perf_counter()
    try:
        board = run_batch(
            read_orders(str(source)),
            str(out / "restarted"),
            options=BatchOptions(scheduler=f"tcp://127.0.0.1:{port}"),
            watcher=Quiet(),
        )
    finally:
        over.set()
        thread.join()
    print()
    line("cluster killed and started", time.perf_counter() - began, board, 2)
    print(f"killed in the middle: {killed.is_set()};", whole(out / "restarted", lays))


def done_in(out: Path) -> int:
    """Job folders that are whole."""
    return len(list(out.glob("*.job/job.json")))


def measured_again(source: Path, out: Path, plain: bool) -> tuple[float, Board]:
    """Seconds of a batch that has nothing to do."""
    began = time.perf_counter()
    board = run_batch(
        read_orders(str(source)),
        str(out),
        options=BatchOptions(places=2, plain=plain),
        watcher=Quiet(),
    )
    print()
    return time.perf_counter() - began, board


if __name__ == "__main__":
    main()
