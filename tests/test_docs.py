"""Documentation that cannot lag behind: commands, links to every page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import figures
from tests.command_reference import TARGET, reference
from tracer.cli.app import COMMANDS

ROOT = Path(__file__).parent.parent
PAGES = [p for p in (ROOT / "docs").rglob("*.md") if "decisions" not in p.parts]


def test_the_command_reference_is_up_to_date() -> None:
    assert TARGET.read_text("utf-8") == reference(), "run python -m tests.command_reference"


def test_tables_of_figures_are_those_that_were_measured() -> None:
    stale = [
        p.name
        for p in figures.pages()
        if figures.filled(p.read_text("utf-8")) != p.read_text("utf-8")
    ]
    assert stale == [], "run python -m tests.figures"
    asked = {n for p in figures.pages() for n in figures.names_in(p.read_text("utf-8"))}
    assert asked == {p.stem for p in figures.FIGURES.glob("*.md")}


def test_a_table_that_was_changed_by_hand_is_found(tmp_path: Path) -> None:
    (tmp_path / "coins.md").write_text("| 1 |\n", "utf-8")
    page = "a\n<!-- figures: coins -->\n\n| 2 |\n\n<!-- end of figures -->\nb\n"
    assert figures.filled(page, tmp_path) == page.replace("2", "1")
    with pytest.raises(FileNotFoundError):
        figures.filled(page.replace("coins", "keys"), tmp_path)


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
