"""The public names are exactly those of ``__all__``, and a bare import stays light."""

from __future__ import annotations

import subprocess
import sys

import pytest

import tracer


def test_every_public_name_is_there() -> None:
    assert {n for n in tracer.__all__ if getattr(tracer, n) is None} == set()
    assert set(tracer._HOMES) | {"__version__"} == set(tracer.__all__)
    with pytest.raises(AttributeError, match="nothing_of_ours"):
        _ = tracer.nothing_of_ours


def test_a_bare_import_is_light() -> None:
    code = "import sys, tracer; print(sorted({'numpy', 'cv2', 'shapely'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
