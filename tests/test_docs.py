"""Documentation that cannot lag behind: commands, links to every page."""

from __future__ import annotations

import re
from pathlib import Path

from tests.command_reference import TARGET, reference
from tracer.cli.app import COMMANDS

ROOT = Path(__file__).parent.parent
PAGES = [p for p in (ROOT / "docs").rglob("*.md") if "decisions" not in p.parts]


def test_the_command_reference_is_up_to_date() -> None:
    assert TARGET.read_text("utf-8") == reference(), "run python -m tests.command_reference"


def test_every_command_occurs_in_a_page_for_people() -> None:
    prose = "\n".join(p.read_text("utf-8") for p in [*PAGES, ROOT / "README.md"] if p != TARGET)
    assert [c for c in COMMANDS if f"tracer {c}" not in prose] == []


def test_every_page_is_linked_from_the_readme_or_a_page_that_is() -> None:
    reached, queue = set(), [ROOT / "README.md"]
    while queue:
        page = queue.pop()
        if page in reached or not page.exists():
            continue
        reached.add(page)
        links = re.findall(r"\]\(([^)#\s]+\.md)", page.read_text("utf-8"))
        queue += [(page.parent / link).resolve() for link in links if ":" not in link]
    assert {p.resolve() for p in PAGES} - {p.resolve() for p in reached} == set()
