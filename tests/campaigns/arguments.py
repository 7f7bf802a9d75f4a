"""Hostile arguments: every option of every command, found in the application itself.

A new command or option is covered by being there. Each option meets every value of `VALUES`, on a
command line that would work without it; then options are mixed at random.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from tests.campaigns.cases import Case, Fault, random_of
from tests.campaigns.files import used
from tests.campaigns.workshop import Workshop

__all__ = ["VALUES", "Option", "argument_cases", "options"]

KIND = "arguments"
#: what a person could type, paste or get out of a script; never fewer than twenty
VALUES = (
    "", " ", "-", "--", "-1", "0", "-0", "1", "2", "3.5", "1e3", "1e308", "1e999", "-1e308",
    "1e-320",
    "nan", "NaN", "inf", "-inf", "9" * 30, "9" * 400, "9" * 5000, "100000", "999999999",
    "0-999999999",
    "0.0001", "0x10", "1_000", "1,5", "1.5.5", "1/0", "1/3", "9" * 400 + "/1", "1 1/2in",
    "5furlong",
    "12mm", "1e5mm", "99999m", "1x1", "0x0", "x", "1x", "-5x5", "168x112", "1x1x1", "1e9x1e9",
    "99999x99999", "99999999999x1", "0.001x0.001", "nanxnan", "infxinf", "3:168x112", "99:168x112",
    ":168x112", "1,2", "-1,-1", "99999,99999", "1e9,1e9", "nan,nan", "1,2,3,4", "9" * 400 + ",1",
    "0,0,0,0", "9:5,5", "0:5,5", "1:400,300", "400,300", "T01", "T99", "T01,T01", "T01,T02", ",",
    "None", "null", "true", "{}", "[1]", "'", '"', ";rm", "$(x)", "%s%n", "٣", "１２", "½", "🔧",
    "Müller Ø 3", "\u202egnp", "\x1b[31mred", "a\nb", "\ufeff", "\udcff\udcfe", "a" * 255,
    "a" * 300,
    "b" * 100_000, ".", "..", "/", "~", "../../evil", "/etc/passwd", "/dev/null", "/dev/zero",
    "/dev/full", "/proc/self/mem", "nowhere/at/all", "notes.txt", "shelf", "bench", "bench.job",
    "flat", "new", "CON", "nul.job", "a:b", "photo.jpg", "list.csv", "plan.toml", "own.toml",
    "part.dxf", "part.svg", "pipe", "loop", "a4", "A4", "letter", "R12", "router", "co2-laser",
    "pvc",
    "eva", "snug", "press", "auto", "learned", "wall", "margin", "mid", "0-5", "5-0", "0-47", "48",
    "web-thin", "rot13", "idna", "own\udcff.toml", "part\udcff.svg", "list\udcff.csv",
    "photo\udcff.jpg",
)  # fmt: skip
#: a command line for each command that works; an unknown command is tried bare
LINES: dict[str, tuple[tuple[str, ...], ...]] = {
    "cards": (("cards", "made.pdf"), ("cards", "made.pdf", "--mat", "600x400")),
    "trace": (
        ("trace", "--job", "flat"),
        ("trace", "photo.jpg", "--job", "new"),
        ("trace", "second.jpg", "--job", "flat", "--add"),
    ),
    "arrange": (("arrange", "flat", "--bay", "640x420"), ("arrange", "bench")),
    "shelf": (
        ("shelf", "draw", "flat", "part.svg", "--height", "12"),
        ("shelf", "put", "bench", "T01", "--folder", "shelf2"),
        ("shelf", "take", "flat", "cone spanner", "--folder", "shelf"),
        ("shelf", "list", "--folder", "shelf"),
    ),
    "cut": (("cut", "flat"),),
    "check": (("check", "part.svg"),),
    "coupon": (("coupon", "--to", "made"), ("coupon", "--hole", "6", "--save", "mine.toml")),
    "swap": (
        ("swap", "bench", "T02", "--remove"),
        ("swap", "bench", "--back-to", "1"),
        ("swap", "flat", "T02", "second.jpg", "--point", "700,600"),
    ),
    "desk": (),  # it would serve until stopped; `tests.campaigns.abuse` sees to it
}


@dataclass(frozen=True)
class Option:
    """An option or argument of a command."""

    command: str
    flag: str  # empty for an argument
    takes_value: bool


@cache
def options() -> tuple[Option, ...]:
    """Every option and argument of every command, as the application declares them."""
    import typer

    from tracer.cli.app import build_app

    group: Any = typer.main.get_command(build_app())
    found = []
    for name, command in group.commands.items():
        for parameter in command.params:
            flags = [f for f in (*parameter.opts, *parameter.secondary_opts) if f.startswith("-")]
            takes = not getattr(parameter, "is_flag", False)
            if parameter.param_type_name == "argument":
                found.append(Option(name, "", True))
            else:
                found += [Option(name, flag, takes) for flag in flags if flag.startswith("--")]
    return tuple(found)


def _singles(rng: random.Random) -> list[tuple[Option, str]]:
    """Every option with every value in rounds: each option once in a round, with a new value."""
    tried = [o for o in options() if LINES.get(o.command, ((o.command,),))]
    values = {o: rng.sample(VALUES, len(VALUES)) if o.takes_value else [""] for o in tried}
    return [
        (o, values[o][turn])
        for turn in range(len(VALUES))
        for o in rng.sample(tried, len(tried))
        if turn < len(values[o])
    ]


def argument_cases(seed: int, count: int) -> Iterator[Case]:
    """First every option with every value, then mixtures."""
    singles = _singles(random.Random(seed))
    for number in range(count):
        rng = random_of(seed, KIND, number)
        if number < len(singles):
            option, value = singles[number]
            line = _with(_line(option.command, rng), option, value, rng)
        else:
            option = rng.choice(options())
            line = _line(option.command, rng)
            for _ in range(rng.choice([2, 2, 3, 5])):
                more = rng.choice([o for o in options() if o.command == option.command])
                line = _with(line, more, rng.choice(VALUES), rng)
        yield Case(
            KIND, number, f"{option.command} {option.flag or 'argument'}",
            " ".join(a if len(a) < 60 else f"{a[:20]}...({len(a)})" for a in line), _act(line),
        )  # fmt: skip


def _line(command: str, rng: random.Random) -> list[str]:
    return list(rng.choice(LINES.get(command) or ((command,),)))


def _with(line: list[str], option: Option, value: str, rng: random.Random) -> list[str]:
    if option.flag:
        given = [option.flag, value] if option.takes_value else [option.flag]
        if option.flag in line and option.takes_value:  # in place of what would work
            at = line.index(option.flag)
            return [*line[:at], *given, *line[at + 2 :]]
        return [*line, *given]
    plain = [i for i, a in enumerate(line[1:], 1) if a[:1] != "-" and line[i - 1][:2] != "--"]
    if plain and rng.random() < 0.7:
        at = rng.choice(plain)
        return [*line[:at], value, *line[at + 1 :]]
    return [*line[:2], value, *line[2:]]


def _act(line: Sequence[str]) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        import os

        for path in [shop.root / n for n in ("own.toml", "part.svg", "list.csv", "photo.jpg")]:
            # a file's name need not be text
            path.with_name(f"{path.stem}\udcff{path.suffix}").hardlink_to(path)
        os.mkfifo(shop.root / "pipe")
        (shop.root / "loop").symlink_to("loop")
        if line[0] == "desk":
            return []
        return used(shop, line, "arguments", outputs=_asked_for(line))

    return act


def _asked_for(line: Sequence[str]) -> list[str]:
    """What the line asks to be written over."""
    return [r""] if "--replace" in line else []
