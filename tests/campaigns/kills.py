"""Kills and interrupts: a command is stopped at a write or at some moment; what is left is opened.

The job must be in the state of before or of after, whatever the signal; a person's files must be
there; and with a signal that a program can answer, what it says must be what happened.
"""

from __future__ import annotations

import pickle
import random
import re
import shutil
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from tests.campaigns.cases import Case, Fault, random_of
from tests.campaigns.judge import Snapshot, bricked, escaped, loads, snapshot
from tests.campaigns.killing import Ended, ended, running
from tests.campaigns.words import programmers_words
from tests.campaigns.workshop import Workshop, warm

__all__ = ["LINES", "kill_cases", "opened_again", "references", "stopped_faults"]

KIND = "kills"
#: commands that change a job, and the files outside it that they make
LINES: tuple[tuple[str, ...], ...] = (
    ("trace", "--job", "bench", "--card-size", "167x111"),
    ("trace", "photo.jpg", "--job", "bench", "--replace", "--card-size", "167x111"),
    ("trace", "photo.jpg", "--job", "new"),
    ("trace", "second.jpg", "--job", "bench", "--add"),
    ("arrange", "bench", "--fit", "loose"),
    ("cut", "flat"),
    ("swap", "bench", "T02", "--remove"),
    ("swap", "bench", "--back-to", "1"),
    ("shelf", "take", "bench", "cone spanner", "--folder", "shelf"),
    ("shelf", "put", "bench", "T01", "--folder", "shelf2"),
    ("coupon", "--hole", "6", "--save", "mine.toml"),
    ("cards", "made.pdf"),
)
#: parts of files that tell when they were made
_WHEN = re.compile(rb'"date": ?"[^"]*"')
_SAID = re.compile(
    r"^(error: .+ \[[a-z0-9-]+\]|.*(interrupted|ended from outside|stopped).*)$", re.MULTILINE
)


def kill_cases(seed: int, count: int) -> Iterator[Case]:
    """Two of three at a write, over all writes of all commands; the others after a time.

    `references` comes first: it finds the writes.
    """
    writes = [(line, n) for line in LINES for n in range(1, _WHOLE[line].writes + 1)]
    random.Random(seed).shuffle(writes)
    for number in range(count):
        rng = random_of(seed, KIND, number)
        by = rng.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
        line, at_write = LINES[number // 3 % len(LINES)], None
        if number % 3 < 2:
            line, at_write = writes[(number - number // 3) % len(writes)]
        when = f"at write {at_write}" if at_write else "at some time"
        yield Case(
            KIND, number, f"{line[0]} {by.name}",
            f"tracer {' '.join(line)} stopped by {by.name} {when}",
            _act(line, int(by), at_write, rng),
        )  # fmt: skip


def references(shop: Workshop, scratch: Path, *, pictures: bool = False) -> None:
    """What each command leaves when nobody stops it, kept beside the workshop for all cases.

    Pictures take most of a command's time, and killing one that draws tests little: the 2 MP form
    does without.
    """
    kept = shop.root.with_name("kills.pickle")
    if kept.is_file():
        _WHOLE.update(pickle.loads(kept.read_bytes()))
        return
    for number, line in enumerate(LINES):
        full = shop.laid_out(scratch / f"whole-{number}")
        done = ended(running(line, full.root, pictures=pictures))
        if done.code not in (0, 3):
            raise RuntimeError(f"{line} failed: {done.err[-1000:]}")
        _WHOLE[line] = _Whole(_state(full.root), done.writes, done.seconds, pictures, {})
        shutil.rmtree(full.root)
        if line[0] == "trace":  # the stages themselves give what the shared results only resemble
            full, warm.strict = shop.laid_out(scratch / f"whole-{number}"), True
            ended(running(line, full.root, pictures=pictures))
            _WHOLE[line] = _WHOLE[line]._replace(strict=_state(full.root))
            shutil.rmtree(full.root)
            warm.strict = False
    kept.write_bytes(pickle.dumps(_WHOLE))


class _Whole(NamedTuple):
    """A command that nobody stopped: what it left, its writes, its time, whether it drew.

    ``strict`` is what it left where no stage's result was shared.
    """

    state: Snapshot
    writes: int
    seconds: float
    pictures: bool
    strict: Snapshot


_WHOLE: dict[Sequence[str], _Whole] = {}


def _act(
    line: Sequence[str], by: int, at_write: int | None, rng: random.Random
) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        before = _state(shop.root)
        after, _, seconds, pictures, strict = _WHOLE[line]
        if at_write is not None:
            warm.strict = False
            started = running(line, shop.root, at_write=at_write, by=by, pictures=pictures)
            result = ended(started)
        else:
            warm.strict = line[0] == "trace" and rng.random() < 0.2  # the stages themselves, too
            if warm.strict:
                after, seconds = strict, seconds + 4.0
            started = running(line, shop.root, pictures=pictures)
            result = ended(started, stop_after_s=rng.uniform(0, seconds), by=by)
        return stopped_faults(shop.root, before, after, result, by)

    return act


def _state(root: Path) -> Snapshot:
    """Digests, without what differs from run to run."""
    from hashlib import sha256

    found = snapshot(root)
    for name in found:
        path = root / name
        if name.endswith(".json") and path.is_file():
            found[name] = sha256(_WHEN.sub(b"", path.read_bytes())).hexdigest()
    return {k: v for k, v in found.items() if not k.startswith("said.")}


def stopped_faults(
    root: Path, before: Snapshot, after: Snapshot, result: Ended, by: int
) -> list[Fault]:
    """What is wrong about a stopped command and what it left."""
    faults = []
    could = {name: loads(root / name) for name in ("bench.job", "flat.job")}
    if result.code == -999:
        faults.append(Fault("hang", f"not ended {result.seconds:.0f} s after the signal"))
    if escaped(result.err):
        faults.append(Fault("traceback", result.err[-4000:]))
    else:
        for text in result.err.splitlines():
            if (word := programmers_words(text)) is not None:
                faults.append(Fault("words", f"{word}: {text}"))
    opened_again(root)
    now = _state(root)
    state = _which(before, after, now)
    if state is None:
        one, two = _differing(before, now), _differing(after, now)
        faults.append(Fault("mixed", f"against before: {one}; against after: {two}"))
    for name, earlier in could.items():
        faults += bricked(earlier, loads(root / name))
    faults += _kept(before, after, now)
    if by != signal.SIGKILL and result.code != -999:
        faults += _honest(result, state, before == after, by)
    return faults


def opened_again(root: Path) -> None:
    """As the next run does: finish or sweep away what was begun."""
    from tracer.project.store import JobFolder

    for job in root.glob("*.job"):
        if any(job.iterdir()):
            with JobFolder(job).locked():
                pass


def _which(before: Snapshot, after: Snapshot, now: Snapshot) -> str | None:
    if now == before:
        return "before"
    if now == after:
        return "after"
    # files outside a job are written one by one: each whole, old or new
    jobs = {k for s in (before, after, now) for k in s if ".job/" in k}
    for name, state in (("before", before), ("after", after)):
        same_job = all(now.get(k) == state.get(k) for k in jobs)
        single = all(
            now.get(k) in (before.get(k), after.get(k)) for k in now.keys() | before.keys()
        )
        if same_job and single:
            return name if jobs and name == "after" else "between"
    return None


def _differing(state: Snapshot, now: Snapshot) -> str:
    return ", ".join(sorted(k for k in state.keys() | now.keys() if state.get(k) != now.get(k)))[
        :400
    ]


def _kept(before: Snapshot, after: Snapshot, now: Snapshot) -> Iterator[Fault]:
    there = set(now.values())
    for name, digest in before.items():
        persons = ".job/" not in name or name.endswith((".job/tools.csv", ".job/panel.toml"))
        untouched = after.get(name) == digest
        if persons and untouched and now.get(name) != digest and digest not in there:
            yield Fault("lost", f"{name} was {'changed' if name in now else 'removed'}")


def _honest(result: Ended, state: str | None, alike: bool, by: int) -> Iterator[Fault]:
    """Whether the words after a signal say what happened."""
    name = signal.Signals(by).name
    if result.code in (0, 3):
        if state == "before" and not alike:
            yield Fault("silent", f"{name}: said to be done, but nothing was changed")
        return
    if result.code < 0:
        yield Fault("signal", f"{name} killed it without a word")
        return
    if result.code != 128 + by:
        said = f"exit code {result.code}, not {128 + by}: {result.err[-300:]}"
        yield Fault("silent", f"{name}: {said}")
    if not _SAID.search(result.err):
        yield Fault("silent", f"{name}: no sentence: {result.err[-300:]!r}")
    if state == "after" and not alike and re.search(r"nothing (was|is) changed", result.err):
        yield Fault("silent", f"{name}: said that nothing was changed, but it was")
