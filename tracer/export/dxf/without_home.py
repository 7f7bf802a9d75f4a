"""Drawing files where the home folder may not be read.

ezdxf looks for settings of its own in the home folder as soon as it is imported, and does not
expect to be refused there: on such a system nothing could be drawn for want of a file that nobody
has. There it is imported once with an empty folder in its place. Elsewhere nothing is done.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["import_without_home"]

_PLACES = {"XDG_CONFIG_HOME": ".config", "XDG_CACHE_HOME": ".cache"}


def import_without_home() -> None:
    """Import ezdxf in a way that needs no home, where there is none that can be read."""
    if all(_can_be_looked_into(name, place) for name, place in _PLACES.items()):
        return
    before = {name: os.environ.get(name) for name in _PLACES}
    with tempfile.TemporaryDirectory(prefix="tracer-") as empty:
        os.environ.update(dict.fromkeys(_PLACES, empty))
        try:
            import ezdxf  # noqa: F401
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value


def _can_be_looked_into(name: str, place: str) -> bool:
    own = os.environ.get(name)
    try:
        folder = Path(own).expanduser() if own else Path.home() / place
        (folder / "ezdxf" / "ezdxf.ini").exists()
    except (OSError, RuntimeError):
        return False
    return True
