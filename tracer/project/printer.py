"""What the shop's printer makes of 100 mm, typed once and kept for every job.

Kept in the person's own settings folder; ``TRACER_SETTINGS`` names another one.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from tracer.atomic import write_atomically
from tracer.errors import TracerError
from tracer.loading import parse_json, read_file
from tracer.ranges import MOST_BYTES, OPTIONS, shown

__all__ = ["is_printed", "load_printed", "save_printed", "settings_folder"]

_FILE = "printer.json"


def settings_folder() -> Path:
    """Where settings live that belong to the shop rather than to a job."""
    if own := os.environ.get("TRACER_SETTINGS"):
        return Path(own)
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or _home() / "AppData/Roaming") / "tracer"
    if sys.platform == "darwin":
        return _home() / "Library/Application Support/tracer"
    return Path(os.environ.get("XDG_CONFIG_HOME") or _home() / ".config") / "tracer"


def _home() -> Path:
    try:
        return Path.home()
    except RuntimeError:
        raise TracerError(
            "settings-no-home",
            "The system names no home folder in which settings could be kept.",
            "Name a folder for them in the environment variable TRACER_SETTINGS.",
        ) from None


def load_printed() -> tuple[float, float]:
    """What bars of 100 mm measure on the shop's printer, in x and y; 100, 100 where not typed.

    Raises
    ------
    TracerError
        When the file is damaged.
    """
    path = settings_folder() / _FILE

    def refuse(why: str) -> TracerError:
        return TracerError(
            "printer-settings-damaged",
            f"The printer's settings {path} cannot be read: {why}.",
            "Delete the file and type the measured bars again.",
        )

    try:
        if not path.exists():
            return 100.0, 100.0
    except OSError as error:
        raise refuse((error.strerror or "the folder cannot be looked into").lower()) from None
    most = MOST_BYTES["printer's settings"]
    body = parse_json(read_file(path, most, refuse), refuse, most)
    if not isinstance(body, dict):
        raise refuse("it is not a printer's settings")
    span = OPTIONS["--printed"]
    for key in ("x_mm", "y_mm"):
        if body.get(key) not in span:
            raise refuse(f"{key}: {shown(body.get(key))} was read, it takes {span.words}")
    return float(body["x_mm"]), float(body["y_mm"])


def is_printed() -> bool:
    """Whether somebody typed what the bars measure."""
    try:
        return (settings_folder() / _FILE).is_file()
    except OSError:
        return False


def save_printed(x_mm: float, y_mm: float) -> None:
    """Keep what the bars measured."""
    body = {"format": "tracer-printer", "version": 1, "x_mm": x_mm, "y_mm": y_mm}
    write_atomically(settings_folder() / _FILE, (json.dumps(body, indent=1) + "\n").encode())
