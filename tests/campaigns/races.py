"""Races: a person edits while a run goes on, two runs want one job, a job is moved away."""

from __future__ import annotations

import os
import random
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from hashlib import sha256

from tests.campaigns.cases import Case, Fault, random_of
from tests.campaigns.judge import bricked, escaped, loads, snapshot
from tests.campaigns.killing import Ended, ended, running
from tests.campaigns.kills import opened_again
from tests.campaigns.words import programmers_words
from tests.campaigns.workshop import Workshop, warm

__all__ = ["race_cases"]

KIND = "races"
AGAIN = ("trace", "--job", "bench", "--card-size", "167x111")
#: what a person saves while which commands run
SAVED: tuple[tuple[str, bytes, tuple[tuple[str, ...], ...]], ...] = (
    (
        "bench.job/tools.csv",
        b"name,x_px,y_px,height_mm,drawer\r\nmy own words,640.5,612.5,8,left\r\n",
        (
            AGAIN,
            ("trace", "second.jpg", "--job", "bench", "--add"),
            ("swap", "bench", "T02", "--remove"),
            ("swap", "bench", "--back-to", "1"),
        ),
    ),
    (
        "bench.job/panel.toml",
        b'# my own words\ntitle = "door"\n[bay]\nkind = "drawer"\nwidth_mm = 700.0\n'
        b"height_mm = 500.0\nclear_depth_mm = 70.0\n",
        (("arrange", "bench", "--fit", "loose"), ("arrange", "bench", "--plan", "plan.toml"),
         ("swap", "bench", "--back-to", "1")),
    ),
    ("list.csv", b"name,x_px,y_px\nown,1,1\n",
     (("trace", "photo.jpg", "--job", "new", "--tools", "list.csv"),)),
    ("own.toml", b"# mine\n", (("coupon", "--machine", "own.toml", "--to", "made"),
                               ("cut", "flat", "--machine", "own.toml"))),
    ("mine.toml", b"# mine\n", (("coupon", "--hole", "6", "--save", "mine.toml"),)),
    ("made.pdf", b"mine\n", (("cards", "made.pdf"),)),
)  # fmt: skip
_REPLACE, _RENAME = os.replace, os.rename


def race_cases(seed: int, count: int) -> Iterator[Case]:
    """Three of four with a person who saves, the others with two runs or a job that moves."""
    for number in range(count):
        rng = random_of(seed, KIND, number)
        if number % 4 != 3:
            name, data, lines = SAVED[number % len(SAVED) if number % 8 else rng.choice((0, 1))]
            line, whole = rng.choice(lines), rng.random() < 0.5
            how = "saved in place" if whole else "saved by rename"
            yield Case(KIND, number, f"{name} saved",
            f"{name} {how} during tracer {' '.join(line)}",
                       _saving(line, name, data, whole, rng))  # fmt: skip
        elif number % 8 == 3:
            pair = (rng.choice(_BOTH), rng.choice(_BOTH))
            yield Case(KIND, number, "two runs", f"tracer {pair[0]} and tracer {pair[1]} at once",
                       _together(pair, rng))  # fmt: skip
        else:
            yield Case(KIND, number, "job moved", "the job or a photo is moved away during a run",
                       _moving(rng))  # fmt: skip


_BOTH: tuple[tuple[str, ...], ...] = (
    AGAIN,
    ("arrange", "bench", "--fit", "loose"),
    ("swap", "bench", "T02", "--remove"),
    ("cut", "bench", "--replace"),
    ("trace", "second.jpg", "--job", "bench", "--add"),
    ("shelf", "take", "bench", "cone spanner", "--folder", "shelf"),
)


def _saving(
    line: Sequence[str], name: str, data: bytes, in_place: bool, rng: random.Random
) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        path = shop.root / name
        at, delay = rng.randrange(1, 16), rng.uniform(0, 1.2)
        early = rng.random() < 0.6

        def save(number: int) -> None:
            if number == at:
                beside = path.with_name(f"{path.name}~")
                target = path if in_place else beside
                target.write_bytes(data)
                if not in_place:
                    _REPLACE(beside, path)

        could = loads(shop.job)
        started = running(line, shop.root, hook=save if early else None)
        if not early:
            time.sleep(delay)
            save(at)
        result = ended(started)
        faults = _of(result)
        opened_again(shop.root)
        saved = early is False or result.writes >= at
        kept = {v for k, v in snapshot(shop.root).items() if not k.endswith("~")}
        if saved and sha256(data).hexdigest() not in kept:
            faults.append(Fault("lost", f"what was saved in {name} is nowhere any more"))
        return faults + bricked(could, loads(shop.job))

    return act


def _together(
    lines: tuple[Sequence[str], Sequence[str]], rng: random.Random
) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        could = loads(shop.job)
        other = shop.root.with_name(f"{shop.root.name}-other")
        warm.strict = False
        first = running(lines[0], shop.root)
        time.sleep(rng.choice([0.0, 0.01, rng.uniform(0, 0.8)]))
        # the words of the second run go elsewhere; the job is the same
        other.mkdir(exist_ok=True)
        for path in shop.root.iterdir():
            if not (other / path.name).is_symlink() and not path.name.startswith("said."):
                (other / path.name).symlink_to(path)
        second = running(lines[1], other)
        results = [ended(second), ended(first)]
        shutil.rmtree(other, ignore_errors=True)
        faults = [f for r in results for f in _of(r)]
        opened_again(shop.root)
        for r in results:
            if r.code not in (0, 1, 2, 3):
                faults.append(Fault("silent", f"exit code {r.code}: {r.err[-300:]}"))
        return faults + bricked(could, loads(shop.job))

    return act


def _moving(rng: random.Random) -> Callable[[Workshop], list[Fault]]:
    what = rng.choice(["job", "photos", "photo", "history", "deleted"])
    at = rng.randrange(1, 16)

    def act(shop: Workshop) -> list[Fault]:
        job = shop.job
        before = snapshot(shop.root)

        def move(number: int) -> None:
            if number != at:
                return
            if what == "deleted":
                os.system(f"rm -rf '{job}'")
                return
            source = {"job": job, "photos": job / "photos", "history": job / "history",
                      "photo": job / "photos" / "lay1-1.jpg"}[what]  # fmt: skip
            if source.exists():
                _RENAME(source, shop.root / "moved away")

        result = ended(running(AGAIN, shop.root, hook=move))
        faults = _of(result)
        if what == "job" and result.writes >= at:
            lists = {v for v in snapshot(shop.root).values()}
            if before["bench.job/tools.csv"] not in lists:
                faults.append(Fault("lost", "bench.job/tools.csv of the job that was moved"))
        return faults

    return act


def _of(result: Ended) -> list[Fault]:
    if result.code == -999:
        return [Fault("hang", f"not ended after {result.seconds:.0f} s")]
    if result.code < 0:
        return [Fault("signal", f"died by signal {-result.code}")]
    if escaped(result.err):
        return [Fault("traceback", result.err[-4000:])]
    words = ((programmers_words(text), text) for text in result.err.splitlines())
    return [Fault("words", f"{word}: {text}") for word, text in words if word is not None]
