"""Writes docs/reference/ranges.md from the table of ranges.

Run ``python -m tests.ranges_reference`` after changing a range.
"""

from __future__ import annotations

from pathlib import Path

from tracer import ranges
from tracer.ranges import Range
from tracer.spelling import plain

TARGET = Path(__file__).parent.parent / "docs/reference/ranges.md"
HEAD = """# Ranges

Every number that can be typed or written into a file, with the least and the greatest value that
is taken; both ends count. Outside it the program stops before it does anything, and names the key,
what it read, and the range. A value within its range can still be unwise: that is said by the
checks. Made from the program's own table by `python -m tests.ranges_reference`; a test holds it up
to date.

Lengths may be typed with their unit (`12mm`, `1.2cm`, `1/2in`) on the command line and in the tool
list; in panel plans and machine profiles they are plain numbers in mm.
"""

SECTIONS = (
    ("Options", "option", ranges.OPTIONS, ""),
    ("Tool list", "column", ranges.TOOL_LIST, ""),
    (
        "Panel plan",
        "table and key",
        ranges.PLAN | ranges.FITTINGS,
        "See [panel plan](panel-plan.md).",
    ),
    (
        "Rules of a panel plan",
        "rule",
        ranges.RULES | ranges.FITTING_RULES,
        "Their usual values and where they come from stand in [panel plan](panel-plan.md).",
    ),
    ("Machine profile", "field", ranges.PROFILE, "See [machine profile](machine-profile.md)."),
)


def row(name: str, span: Range) -> str:
    """One line of a table."""
    kind = " (whole)" if span.whole else ""
    return f"| `{name}` | {plain(span.low)} | {plain(span.high)}{kind} | {span.unit} |"


def reference() -> str:
    """The whole page."""
    parts = [HEAD]
    for title, head, table, words in SECTIONS:
        lines = [f"| {head} | from | to | unit |", "|---|---|---|---|"]
        lines += [row(name, span) for name, span in table.items()]
        parts.append(f"## {title}\n" + (f"\n{words}\n" if words else "") + "\n" + "\n".join(lines))
    counts = [f"| {what} | {plain(span.high)} |" for what, span in ranges.COUNTS.items()]
    counts.append(f"| letters of a name, title or label | {ranges.LONGEST_TEXT} |")
    parts.append("## How many\n\n| of what | at most |\n|---|---|\n" + "\n".join(counts))
    sizes = [f"| {what} | {most / 1e6:g} MB |" for what, most in ranges.MOST_BYTES.items()]
    parts.append("## How large a file\n\n| file | at most |\n|---|---|\n" + "\n".join(sizes))
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


if __name__ == "__main__":
    TARGET.write_text(reference(), encoding="utf-8")
