"""Puts measured tables into the documents, as benchmarks wrote them.

A benchmark run with ``--markdown tests/benchmarks/figures/NAME.md`` keeps its table there. A page
takes it between ``<!-- figures: NAME -->`` and ``<!-- end of figures -->``. Run
``python -m tests.figures`` after a measurement; a test holds the pages up to date.
"""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
FIGURES = ROOT / "tests/benchmarks/figures"
_PLACE = re.compile(
    r"<!-- figures: (?P<name>[a-z0-9-]+) -->\n.*?<!-- end of figures -->", re.DOTALL
)


def pages() -> list[Path]:
    """Every page of the documentation."""
    return sorted((ROOT / "docs").rglob("*.md"))


def names_in(text: str) -> list[str]:
    """Tables that a page asks for.

    Examples
    --------
    >>> names_in("<!-- figures: coins -->\\nold\\n<!-- end of figures -->")
    ['coins']
    """
    return [found["name"] for found in _PLACE.finditer(text)]


def filled(text: str, folder: Path = FIGURES) -> str:
    """The page with its tables as they were measured last.

    Raises
    ------
    FileNotFoundError
        A table that no benchmark has kept.
    """

    def table(found: re.Match[str]) -> str:
        kept = (folder / f"{found['name']}.md").read_text("utf-8").strip("\n")
        return f"<!-- figures: {found['name']} -->\n\n{kept}\n\n<!-- end of figures -->"

    return _PLACE.sub(table, text)


if __name__ == "__main__":
    for page in pages():
        page.write_text(filled(page.read_text("utf-8")), "utf-8")
