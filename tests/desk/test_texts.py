"""The catalogue of words: every language has every key, every mark, and is used."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest

STATIC = Path(__file__).parent.parent.parent / "tracer" / "desk" / "static"


@cache
def catalogue(language: str) -> dict[str, str]:
    """Texts by dotted path, read without a browser: the files are one object literal each."""
    text = (STATIC / f"text_{language}.js").read_text(encoding="utf-8")
    body = text[text.index("= {") + 2 : text.rindex(";")]
    return dict(_flat(_object(body), ""))


def _object(text: str) -> Any:
    """The object literal as JSON: keys quoted, strings in double quotes, no trailing commas."""
    out, i = [], 0
    token = re.compile(r"'((?:[^'\\]|\\.)*)'|([A-Za-z_]\w*)(?=\s*:)|([{}:,])|\s+")
    while i < len(text):
        match = token.match(text, i)
        assert match is not None, f"the catalogue holds more than texts: {text[i : i + 40]!r}"
        if match[1] is not None:
            out.append(json.dumps(match[1].replace("\\'", "'")))
        elif match[2]:
            out.append(json.dumps(match[2]))
        elif match[3]:
            out.append(match[3])
        i = match.end()
    return json.loads(re.sub(r",(?=[}\]])", "", "".join(out)))


def _flat(room: Any, path: str) -> Any:
    if isinstance(room, str):
        yield path, room
        return
    for key, value in room.items():
        yield from _flat(value, f"{path}.{key}" if path else key)


def marks(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


@pytest.mark.parametrize("language", ["de"])
def test_no_key_is_missing_and_none_is_left_over(language: str) -> None:
    english, other = catalogue("en"), catalogue(language)
    assert set(english) - set(other) == set()
    assert set(other) - set(english) == set()


@pytest.mark.parametrize("language", ["de"])
def test_every_translation_has_the_marks_of_its_text(language: str) -> None:
    other = catalogue(language)
    assert {k for k, text in catalogue("en").items() if marks(text) != marks(other[k])} == set()


def test_a_missing_key_is_seen() -> None:
    english = dict(catalogue("en"))
    other = {k: v for k, v in catalogue("de").items() if k != "run.stop"}
    assert set(english) - set(other) == {"run.stop"}


def used() -> tuple[set[str], set[str]]:
    """Paths that scripts ask for, whole, and the beginnings of those that are put together."""
    whole, begun = set(), set()
    for file in STATIC.glob("*.js"):
        if file.name.startswith("text"):
            continue
        text = file.read_text(encoding="utf-8")
        whole |= set(re.findall(r"['\"`]([a-z]\w*(?:\.\w+)+|[a-z]\w+)['\"`]", text, re.I))
        begun |= set(re.findall(r"`([a-zA-Z][\w.]*?)\$\{", text))
    return whole, begun


def test_every_word_is_used_and_every_word_that_is_used_is_there() -> None:
    whole, begun = used()
    unused = {
        path
        for path in catalogue("en")
        if path not in whole and not any(path.startswith(b) for b in begun if "." in b)
    }
    assert sorted(unused) == []
    asked = set()
    for file in STATIC.glob("*.js"):
        asked |= set(re.findall(r"\bsay\('([\w.]+)'", file.read_text(encoding="utf-8")))
    assert asked - set(catalogue("en")) == set()


def test_no_words_stand_outside_the_catalogue() -> None:
    """Whatever people read is asked for by ``say``; a sentence in a script is a slip."""
    for file in STATIC.glob("*.js"):
        if file.name.startswith(("text_", "api")):
            continue
        text = re.sub(r"//.*|/\*[\s\S]*?\*/", "", file.read_text(encoding="utf-8"))
        strings = re.findall(r"'((?:[^'\\\n]|\\.)*)'", text)
        assert [t for t in strings if re.match(r"[A-Z][a-z]+ [a-z]+", t)] == [], file.name


@pytest.mark.skipif(shutil.which("node") is None, reason="no node to read the scripts with")
def test_scripts_are_sound() -> None:
    for file in STATIC.glob("*.js"):
        subprocess.run(["node", "--check", str(file)], check=True)
