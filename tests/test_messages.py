"""Every slug has an entry in docs/messages.md, and every entry is a slug in use."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
MAKERS = {"TracerError", "UsageError", "Check"}


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


def documented() -> set[str]:
    return set(re.findall(r"^## (\S+)$", (ROOT / "docs/messages.md").read_text("utf-8"), re.M))


def test_every_message_is_documented() -> None:
    assert used() - documented() == set()


def test_every_entry_is_in_use() -> None:
    text = "\n".join(p.read_text("utf-8") for p in (ROOT / "tracer").rglob("*.py"))
    assert {slug for slug in documented() if f'"{slug}"' not in text} == set()


def test_the_search_sees_slugs() -> None:
    assert slugs_in('TracerError("a-b", "x"); Check(slug="c-d", sentence="")') == {"a-b", "c-d"}
    assert len(used()) > 20
