"""Damaged files: every kind of input, spoiled, and then used by a command that reads it."""

from __future__ import annotations

import os
import random
import resource
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.campaigns.asking import visit
from tests.campaigns.cases import Case, Fault, random_of
from tests.campaigns.damage import Damage, damaged_place
from tests.campaigns.damage_data import damaged_csv, damaged_json, damaged_toml
from tests.campaigns.damage_drawings import damaged_dxf, damaged_svg
from tests.campaigns.damage_pictures import FORMATS, damaged_picture, picture
from tests.campaigns.judge import bricked, command, judged, loads, remembered, snapshot
from tests.campaigns.pool import forget_peak
from tests.campaigns.workshop import Workshop

__all__ = ["TARGETS", "Target", "file_cases", "used", "warmed"]

Damager = Callable[[bytes, random.Random], Damage]
KIND = "files"
AGAIN = ("trace", "--job", "bench")
ARRANGE = ("arrange", "bench")
DESK = ("desk",)
#: a visit that makes the panel, too: a second of computing
ARRANGED = ("desk", "and arrange")
#: outputs that these commands are asked to write over
OUTPUTS = (r"^bench\.job/cut/",)


@dataclass(frozen=True)
class Target:
    """A file of the workshop, how it is spoiled, and commands that read it; one is drawn."""

    path: str
    damaged: Damager
    commands: Sequence[Sequence[str]]
    weight: int = 2


TARGETS = (
    Target("bench.job/job.json", damaged_json,
           [AGAIN, AGAIN, ARRANGE, ("swap", "bench", "T02", "--remove"),
            ("trace", "photo.jpg", "--job", "bench"), DESK], 8),
    Target("bench.job/outlines.json", damaged_json,
           [AGAIN, ARRANGE, ("cut", "bench", "--replace"), ("swap", "bench", "T01", "--remove"),
            ("shelf", "put", "bench", "T01", "--folder", "shelf2"), DESK], 8),
    Target("flat.job/outlines.json", damaged_json,
           [("cut", "flat"), ("arrange", "flat", "--bay", "640x420"), ("trace", "--job", "flat")],
           6),
    Target("bench.job/silhouettes.json", damaged_json, [AGAIN, DESK], 4),
    Target("bench.job/panel.json", damaged_json,
           [ARRANGE, ("cut", "bench", "--replace"), ("swap", "bench", "T02", "--remove"), DESK], 6),
    Target("bench.job/guests.json", damaged_json, [ARRANGE, DESK], 3),
    Target("bench.job/history/edits.json", damaged_json, [DESK, AGAIN], 4),
    Target("bench.job/history/retired.json", damaged_json, [AGAIN], 1),
    Target("bench.job/history/r1/job.json", damaged_json, [("swap", "bench", "--back-to", "1")], 2),
    Target("bench.job/history/r1/outlines.json", damaged_json,
           [("swap", "bench", "--back-to", "1")], 2),
    Target("bench.job/history/r1/tools.csv", damaged_csv, [("swap", "bench", "--back-to", "1")], 2),
    Target("bench.job/.commit/.manifest.json", damaged_json, [AGAIN, ARRANGE], 1),
    Target("bench.job/cut/router.json", damaged_json, [("cut", "bench", "--replace"), DESK], 1),
    Target("bench.job/tools.csv", damaged_csv, [AGAIN, AGAIN, ARRANGE, DESK], 9),
    Target("list.csv", damaged_csv,
           [("trace", "photo.jpg", "--job", "new", "--tools", "list.csv"),
            ("trace", "--job", "flat", "--tools", "list.csv"),
            ("trace", "second.jpg", "--job", "flat", "--add", "--tools", "list.csv")], 9),
    Target("bench.job/panel.toml", damaged_toml, [ARRANGE, ARRANGE, DESK], 9),
    Target("plan.toml", damaged_toml, [("arrange", "flat", "--plan", "plan.toml")], 5),
    Target("own.toml", damaged_toml,
           [("cut", "flat", "--machine", "own.toml"), ("coupon", "--machine", "own.toml", "--to",
           "c"),
            ("swap", "bench", "T02", "--remove", "--machine", "own.toml"),
            ("coupon", "--machine", "own.toml", "--hole", "6", "--save", "mine.toml")], 7),
    Target("settings/printer.json", damaged_json, [("cut", "flat")], 3),
    Target("shelf/cone spanner.outline.json", damaged_json,
           [("shelf", "take", "bench", "cone spanner", "--folder", "shelf"),
            ("shelf", "list", "--folder", "shelf"),
            ("shelf", "put", "bench", "T01", "--folder", "shelf")], 5),
    Target("part.dxf", damaged_dxf,
           [("check", "part.dxf"), ("check", "part.dxf"),
            ("shelf", "draw", "flat", "part.dxf", "--height", "12")], 10),
    Target("part.svg", damaged_svg,
           [("check", "part.svg"), ("check", "part.svg"),
            ("shelf", "draw", "flat", "part.svg", "--height", "12")], 10),
    Target("photo.jpg", damaged_picture,
           [("trace", "photo.jpg", "--job", "new"), ("trace", "photo.jpg", "--job", "flat",
           "--add"),
            ("swap", "bench", "T02", "photo.jpg")], 10),
    Target("bench.job/photos/lay1-1.jpg", damaged_picture, [AGAIN, DESK], 4),
)  # fmt: skip
_DRAWN = tuple(t for t in TARGETS for _ in range(t.weight))


def file_cases(seed: int, count: int) -> Iterator[Case]:
    """Cases 0 to count - 1, every target in turn by its weight."""
    for number in range(count):
        rng = random_of(seed, KIND, number)
        # by a step that is prime to the number of targets, so that a short run meets all
        target = _DRAWN[(number * 37 + seed) % len(_DRAWN)]
        way = rng.random()
        chosen = rng.choice(list(target.commands))
        if tuple(chosen) == DESK:  # the dearest by far: a third of its turns
            rest = [c for c in target.commands if tuple(c) != DESK]
            among = [DESK, ARRANGED, rng.choice(rest), rng.choice(rest), rng.choice(rest)]
            chosen = rng.choice(among if rest else [DESK, ARRANGED])
        yield Case(
            KIND, number, target.path, f"{target.path}, then tracer {' '.join(chosen)}",
            _act(target, chosen, seed, number, way),
        )  # fmt: skip


def warmed(shop: Workshop, scratch: Path) -> None:
    """Run each command once in this process: what it loads late is there for every fork then."""
    home = Path.cwd()
    for line in sorted({tuple(c) for t in TARGETS for c in t.commands} - {DESK}):
        laid = shop.laid_out(scratch / "warmed")
        os.chdir(laid.root)
        command(line)
        os.chdir(home)
        shutil.rmtree(laid.root)


def _act(
    target: Target, chosen: Sequence[str], seed: int, number: int, way: float
) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        rng = random_of(seed, KIND + "/damage", number)
        path = shop.root / target.path
        path.parent.mkdir(parents=True, exist_ok=True)
        limit = None
        if way < 0.03:
            what = damaged_place(path, rng)
        elif way < 0.05:
            limit = rng.choice([4096, 8192, 20_000, 100_000])
            what = f"no room beyond {limit} bytes a file"
        elif way < 0.065:
            what = _spoiled_folder(shop, rng)
        else:
            data, what = target.damaged(_sound(path, target, rng), rng)
            path.write_bytes(data)
        return used(shop, chosen, what, limit_bytes=limit)

    return act


def _sound(path: Path, target: Target, rng: random.Random) -> bytes:
    if target.damaged is damaged_picture:
        # sometimes the photo itself, so that the stages behind the decoder meet damage too
        return path.read_bytes() if rng.random() < 0.6 else picture(rng.choice(FORMATS))
    if path.is_file():
        return path.read_bytes()
    return b'{"write": ["job.json"], "remove": []}'


def _spoiled_folder(shop: Workshop, rng: random.Random) -> str:
    job = shop.job
    match rng.randrange(5):
        case 0:
            job.rename(shop.root / "elsewhere")
            job.symlink_to("elsewhere")
            return "the job is a link"
        case 1:
            for name in ("pictures", "history", "cut"):
                (job / name).rename(job / f"{name}-away") if (job / name).exists() else None
                (job / name).write_bytes(b"")
            return "files where folders should be"
        case 2:
            (job / ".next").write_bytes(b"x")
            (job / ".commit").write_bytes(b"x")
            return "files where the store keeps folders"
        case 3:
            (job / ".commit").mkdir(exist_ok=True)
            (job / ".commit" / "job.json").write_bytes(b"{}")
            return "an emptied commit"
        case _:
            (job / ".lock").unlink(missing_ok=True)
            (job / ".lock").mkdir()
            return "a folder for the lock"


def used(
    shop: Workshop,
    chosen: Sequence[str],
    what: str,
    *,
    limit_bytes: int | None = None,
    outputs: Sequence[str] = OUTPUTS,
) -> list[Fault]:
    """Run one command in a spoiled workshop and judge it; leaves ``said.txt`` for a reader."""
    job = next((shop.root / f"{n}.job" for n in ("flat", "new") if n in chosen), shop.job)
    before, could = snapshot(shop.root), loads(job, changed=remembered())
    if limit_bytes is not None:
        _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, hard))
    forget_peak()  # making the damage is none of the command's
    try:
        visited = chosen[0] == "desk"
        said = visit(shop, arranged=tuple(chosen) == ARRANGED) if visited else command(chosen)
    finally:
        if limit_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    after = snapshot(shop.root)
    faults = judged(said, before, after, outputs=outputs)
    if visited:
        faults = [f for f in faults if f.kind != "silent"]
    faults += bricked(could, loads(job, changed=before))
    text = f"{what}\nin {os.fspath(shop.root)}\n{said.shown()}"
    (shop.root / "said.txt").write_text(text, "utf-8", errors="replace")
    return faults
