"""The last net: what a mistake of the program's own leaves behind, so that it can be mended.

Errors that a maker can cause or mend never come here. What does is written to a report file, with
the way through the program that led to it; where the report lies is told in one sentence.
"""

from __future__ import annotations

import os
import platform
import shlex
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from tracer import __version__
from tracer.atomic import WRITTEN, write_atomically
from tracer.cli.console import Console
from tracer.errors import TracerError

__all__ = ["EXIT_DEFECT", "report_defect"]

#: ``EX_SOFTWARE`` of sysexits.h (BSD): an internal software error
EXIT_DEFECT = 70


def report_defect(error: Exception, arguments: Sequence[str]) -> int:
    """Write the report, tell where it lies, and give the exit code of the program."""
    written = WRITTEN.names
    body = _report(error, arguments).encode("utf-8", errors="replace")
    name = f"tracer-report-{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}.txt"
    for folder in (".", tempfile.gettempdir()):
        path = Path(folder) / name
        try:
            write_atomically(path, body)
        except (TracerError, OSError):
            continue
        where, remedy = f"a report lies in {path}", "Read it through, and pass it on."
        break
    else:
        sys.stderr.write(body.decode("utf-8"))
        where, remedy = "its report could be put nowhere and stands above", "Pass it on."
    told = f"The program met a mistake of its own and stopped; {where}."
    console = Console(as_json="--json" in arguments)
    console.error(TracerError("program-defect", told, remedy), written)
    return EXIT_DEFECT


def _report(error: Exception, arguments: Sequence[str]) -> str:
    system = f"{platform.system()} {platform.release()} {platform.machine()}"
    way = "".join(traceback.format_exception(error))
    return (
        f"tracer {__version__}, Python {platform.python_version()}, {system}\n"
        f"command: {shlex.join(['tracer', *arguments])}\n\n{_without_places(way)}"
    )


def _without_places(text: str) -> str:
    """Text without the folders of this computer: they tell names, and nothing of the mistake."""
    places = {
        str(Path(__file__).parents[2]): "<program>",
        sys.prefix: "<python>",
        sys.base_prefix: "<python>",
        tempfile.gettempdir(): "<temporary>",
    }
    for find, told in ((Path.cwd, "<here>"), (Path.home, "<home>")):
        try:
            places[str(find())] = told
        except (OSError, RuntimeError):
            continue
    for place in sorted(places, key=len, reverse=True):  # the inner ones before the outer
        if len(place) > 1:
            text = text.replace(place, places[place])
    return text
