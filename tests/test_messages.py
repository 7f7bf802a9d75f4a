"""Every slug has an entry in docs/messages.md, and every entry is a slug in use."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
MAKERS = {"TracerError", "UsageError", "Check"}
TEXTS = {"sentence", "remedy"}


def slugs_in(source: str) -> set[str]:
    """Literal slugs: first argument of the errors and checks, and slug="..." keywords."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        for keyword in node.keywords:
            if keyword.arg == "slug" and isinstance(keyword.value, ast.Constant):
                found.add(keyword.value.value)
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in MAKERS and node.args and isinstance(node.args[0], ast.Constant):
            found.add(node.args[0].value)
    return found


def used() -> set[str]:
    return set().union(*(slugs_in(p.read_text("utf-8")) for p in (ROOT / "tracer").rglob("*.py")))


def headings() -> list[str]:
    return re.findall(r"^## (\S+)$", (ROOT / "docs/messages.md").read_text("utf-8"), re.M)


def documented() -> set[str]:
    return set(headings())


def test_every_entry_is_there_once() -> None:
    found = headings()
    assert len(found) > 200
    assert sorted(slug for slug in set(found) if found.count(slug) > 1) == []


def test_every_message_is_documented() -> None:
    assert used() - documented() == set()


def test_every_entry_is_in_use() -> None:
    text = "\n".join(p.read_text("utf-8") for p in (ROOT / "tracer").rglob("*.py"))
    assert {slug for slug in documented() if f'"{slug}"' not in text} == set()


def test_the_search_sees_slugs() -> None:
    assert slugs_in('TracerError("a-b", "x"); Check(slug="c-d", sentence="")') == {"a-b", "c-d"}
    assert len(used()) > 20


def endings(source: str) -> list[tuple[str, str]]:
    """Slug and last letters of every literal sentence and remedy, both branches of a choice."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") in MAKERS):
            continue
        named = {k.arg: k.value for k in node.keywords}
        first = 2 if getattr(node.func, "id", "") == "Check" else 1
        texts = [*node.args[first : first + 2], *(named[k] for k in named.keys() & TEXTS)]
        slug = node.args[0] if node.args else named.get("slug")
        for text in texts:
            for branch in branches(text):
                last = branch.values[-1] if isinstance(branch, ast.JoinedStr) else branch
                if isinstance(last, ast.Constant) and isinstance(last.value, str) and last.value:
                    found.append((str(getattr(slug, "value", "")), last.value.rstrip()[-20:]))
    return found


def branches(text: ast.expr) -> list[ast.expr]:
    if isinstance(text, ast.IfExp):
        return [*branches(text.body), *branches(text.orelse)]
    return [text]


def test_every_sentence_ends() -> None:
    """Sentence and remedy stand side by side in one line: without a stop they run together."""
    sources = [p.read_text("utf-8") for p in (ROOT / "tracer").rglob("*.py")]
    found = [one for source in sources for one in endings(source)]
    assert len(found) > 200
    assert [one for one in found if one[1][-1] not in ".?"] == []


def test_the_search_sees_endings() -> None:
    text = 'Check("a", s, f"{x} mm" if x else "No.", "Do it.")'
    assert endings(text) == [("a", " mm"), ("a", "No."), ("a", "Do it.")]
