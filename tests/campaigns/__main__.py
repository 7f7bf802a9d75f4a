"""``python -m tests.campaigns``: run a campaign and print its table."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.campaigns.cases import FAULTS, Case, Outcome, table

KINDS = ("files", "arguments", "kills", "races", "server")
#: cases of the long form, and of the short one
LONG = {"files": 10_000, "arguments": 7_000, "kills": 1_100, "races": 120, "server": 600}
WORTH_WARMING = 300  # cases; it takes some seconds
SHORT = {"files": 56, "arguments": 40, "kills": 10, "races": 4, "server": 4}


def cases_of(kind: str, seed: int, count: int) -> Iterator[Case]:
    """The cases of one kind."""
    if kind == "files":
        from tests.campaigns.files import file_cases

        return file_cases(seed, count)
    if kind == "arguments":
        from tests.campaigns.arguments import argument_cases

        return argument_cases(seed, count)
    if kind == "kills":
        from tests.campaigns.kills import kill_cases

        return kill_cases(seed, count)
    if kind == "races":
        from tests.campaigns.races import race_cases

        return race_cases(seed, count)
    from tests.campaigns.abuse import abuse_cases

    return abuse_cases(seed, count)


def prepared() -> None:
    """Import what commands import, so that a forked worker need not."""
    import importlib
    import pkgutil

    import cv2

    import tracer

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    cv2.setNumThreads(1)  # threads do not survive a fork
    for found in pkgutil.walk_packages(tracer.__path__, "tracer."):
        if not found.name.startswith(("tracer.learning", "tracer.__main__")):
            importlib.import_module(found.name)


def campaign(
    seed: int,
    counts: dict[str, int],
    *,
    only: Sequence[str] = (),
    workers: int = 2,
    keep: Path | None = None,
    cache: Path | None = None,
    megapixels: int = 2,
    told: bool = True,
    minutes: float | None = None,
) -> list[Outcome]:
    """Run the kinds one after another; each ends after its share of ``minutes``."""
    prepared()
    from tests.campaigns.pool import run_cases
    from tests.campaigns.workshop import built, installed

    installed()
    shop = built(cache, megapixels)
    outcomes: list[Outcome] = []
    faults: Counter[str] = Counter()
    start = time.monotonic()
    latest = [start]
    # in memory where the system has such a place: every case writes a folder
    home = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=home if home.is_dir() else None) as scratch:

        def note(outcome: Outcome) -> None:
            outcomes.append(outcome)
            faults.update({f.kind for f in outcome.faults})
            if told and (len(outcomes) % 100 == 0 or time.monotonic() - latest[0] > 60):
                latest[0] = time.monotonic()
                known = ", ".join(f"{n} {k}" for k, n in faults.items())
                spent = time.monotonic() - start
                print(f"{outcome.name}: {len(outcomes)} cases, {spent:.0f} s; {known}", flush=True)

        for done, (kind, count) in enumerate(counts.items()):
            if kind == "kills":
                from tests.campaigns.kills import references

                references(shop, Path(scratch), pictures=megapixels > 2)
            cases = list(cases_of(kind, seed, count))
            if only:
                cases = [c for c in cases if c.name in only]
            if len(cases) >= WORTH_WARMING and kind in ("files", "arguments"):
                from tests.campaigns.files import warmed

                warmed(shop, Path(scratch))
            left = None
            if minutes is not None:
                left = (60 * minutes - (time.monotonic() - start)) / (len(counts) - done)
            run_cases(
                cases,
                shop,
                Path(scratch),
                workers=workers,
                keep=keep,
                told=note,
                seconds=left,
            )
    return outcomes


def main() -> int:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns", description=__doc__)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--short", action="store_true", help="the short form")
    parser.add_argument("--kind", action="append", choices=KINDS, help="only this; several times")
    parser.add_argument("--count", type=int, help="so many cases of each kind")
    parser.add_argument("--only", action="append", metavar="KIND:NUMBER", help="repeat one case")
    parser.add_argument("--json", type=Path, metavar="FILE", help="outcomes as JSON")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="where failing cases are kept")
    parser.add_argument("--cache", type=Path, metavar="FOLDER", help="where the workshop is kept")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, help="stop after this time, whatever is left")
    parser.add_argument("--megapixels", type=int, choices=(2, 12), default=2)
    given = parser.parse_args()
    kinds = given.kind or (sorted({o.split(":")[0] for o in given.only}) if given.only else KINDS)
    sizes = SHORT if given.short else LONG
    counts = {kind: given.count or sizes[kind] for kind in KINDS if kind in kinds}
    keep = given.keep or Path("campaign-failures") / f"seed-{given.seed}"
    if not given.only:
        shutil.rmtree(keep, ignore_errors=True)
    outcomes = campaign(
        given.seed,
        counts,
        only=given.only or (),
        workers=given.workers,
        keep=keep.resolve(),
        cache=given.cache,
        megapixels=given.megapixels,
        told=not given.only,
        minutes=given.minutes,
    )
    print(f"\nseed {given.seed}\n{table(outcomes, list(counts))}\n")
    for fault, words in FAULTS.items():
        hit = [o for o in outcomes if any(f.kind == fault for f in o.faults)]
        if hit:
            print(
                f"{words}: {', '.join(o.name for o in hit[:12])}{' ...' if len(hit) > 12 else ''}"
            )
    if given.only:
        for outcome in outcomes:
            for f in outcome.faults:
                print(f"\n{outcome.name} {outcome.title}\n{f.kind}: {f.detail}")
    if given.json:
        record = {"seed": given.seed, "counts": counts, "cases": [o.record() for o in outcomes]}
        given.json.write_text(json.dumps(record, indent=1), "utf-8")
    print(f"What failing cases left is in {keep}.")
    return 1 if any(o.faults for o in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
