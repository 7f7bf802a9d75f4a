"""Writes docs/reference/commands.md from the commands' own help.

Run ``python -m tests.command_reference`` after changing an option.
"""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path

from tracer.cli.app import COMMANDS, run

TARGET = Path(__file__).parent.parent / "docs/reference/commands.md"
HEAD = """# Commands

Made from the commands' own help by `python -m tests.command_reference`; a test holds it up to
date. Exit codes: 0 done, 1 failed, 2 wrong usage, 3 done but a check failed,
70 a mistake of the program's own, with a report, 130 interrupted (Ctrl-C), 143 ended by the system
(SIGTERM).
Lengths may be typed as `12`, `12mm`, `1.2cm`, `1/2in`.
"""


def help_of(*arguments: str) -> str:
    """What ``tracer ... --help`` prints, on lines of 100 letters."""
    before = os.environ.get("COLUMNS"), os.environ.get("TERMINAL_WIDTH")
    os.environ["COLUMNS"] = os.environ["TERMINAL_WIDTH"] = "100"
    out = io.StringIO()
    try:
        with contextlib.redirect_stdout(out):
            run([*arguments, "--help"])
    finally:
        for name, value in zip(("COLUMNS", "TERMINAL_WIDTH"), before, strict=True):
            os.environ.pop(name)
            if value is not None:
                os.environ[name] = value
    return "\n".join(line.rstrip() for line in out.getvalue().strip().splitlines())


def reference() -> str:
    """The whole page."""
    parts = [HEAD, f"```\n{help_of()}\n```\n"]
    parts += [f"## tracer {name}\n\n```\n{help_of(name)}\n```\n" for name in COMMANDS]
    return "\n".join(parts)


if __name__ == "__main__":
    TARGET.write_text(reference(), encoding="utf-8")
