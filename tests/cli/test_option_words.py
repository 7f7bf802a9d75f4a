"""Rooms below the command line name no option in what they say; the command line adds them."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.command_reference import TARGET
from tests.test_messages import documented
from tracer.cli.console import Console, check_record
from tracer.cli.option_words import OPTION_WORDS, with_options
from tracer.errors import TracerError
from tracer.model.report import Check, Severity

ROOT = Path(__file__).parent.parent.parent / "tracer"
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")
#: holds what was typed for a cut against the panel that decides it: it speaks of options alone
SPEAKS_OF_OPTIONS = {"workflows/cutting/panel_options.py"}
#: options are named there, not spoken of
ABOVE = ("cli/", "learning/")


def below() -> list[Path]:
    return [p for p in ROOT.rglob("*.py") if not p.relative_to(ROOT).as_posix().startswith(ABOVE)]


def texts(path: Path) -> Iterator[str]:
    """String literals of a module that are no docstrings, f-strings with their gaps left out."""
    tree = ast.parse(path.read_text("utf-8"))
    inner = {id(v) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for v in n.values}
    docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in docs or id(node) in inner:
            continue
        if isinstance(node, ast.JoinedStr):
            yield "".join(
                str(getattr(v, "value", "")) for v in node.values if isinstance(v, ast.Constant)
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def spoken(path: Path) -> list[str]:
    """Texts with an option among other words; an option by itself is a key."""
    return [t for t in texts(path) if OPTION.search(t) and not OPTION.fullmatch(t)]


def test_no_room_below_speaks_of_options() -> None:
    found = {p.relative_to(ROOT).as_posix(): t for p in below() if (t := spoken(p))}
    assert set(found) == SPEAKS_OF_OPTIONS, found


def test_the_search_sees_options(tmp_path: Path) -> None:
    """Negative control."""
    module = tmp_path / "module.py"
    module.write_text(
        '"""Of --no-interest."""\nKEYS = {"--fit": 1}\nx = ("type it"\n " with --card-size.")\n'
        'y = f"{x} or use --turn {x}."\nz = "a -- b, well-kept"\n'
    )
    assert spoken(module) == ["type it with --card-size.", " or use --turn ."]


def test_the_words_that_options_stand_behind_are_said_with_that_message() -> None:
    said = {p: "\n".join(texts(p)) for p in below()}
    for slug, places in OPTION_WORDS.items():
        assert slug in documented()
        where = "\n".join(text for text in said.values() if slug in text.splitlines())
        for words, _ in places:
            assert words in where, (slug, words)


def test_every_option_that_is_told_is_one() -> None:
    known = set(OPTION.findall(TARGET.read_text("utf-8")))
    commands = set(re.findall(r"^## tracer (\S+)$", TARGET.read_text("utf-8"), re.M))
    for places in OPTION_WORDS.values():
        for _, option in places:
            assert set(OPTION.findall(option)) <= known, option
            for command in re.findall(r"tracer (\S+)", option):
                assert command in commands
            assert "--" in option or option.startswith("tracer ")


MESSAGE = "If it is no tool, leave it out; if it is one, type its height."
WITH = "If it is no tool, leave it out (--drop X,Y); if it is one, type its height."
CHECK = Check("flat-on-sheet", Severity.NOTE, "It lies flat.", MESSAGE)


def test_a_terminal_is_told_the_option(capsys: pytest.CaptureFixture[str]) -> None:
    Console().checks([CHECK])
    assert WITH in capsys.readouterr().err
    assert check_record(CHECK)["remedy"] == WITH
    Console(as_json=True).error(TracerError("flat-on-sheet", "It lies flat.", MESSAGE))
    out = capsys.readouterr()
    assert f"error: It lies flat. {WITH} [flat-on-sheet]" in out.err
    assert json.loads(out.out)["error"]["remedy"] == WITH
    assert CHECK.remedy == MESSAGE  # what is kept and shown elsewhere stays in plain words


def test_a_message_without_options_is_told_as_it_is() -> None:
    assert with_options("no-card", MESSAGE) == MESSAGE
    assert with_options("flat-on-sheet", "") == ""
    twice = with_options("layers-impossible", "Type the thickness of the whole stack, or less.")
    assert twice == "Type the thickness of the whole stack (--thickness), or less."
