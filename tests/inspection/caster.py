"""Compile the ray caster of panel photos and call it."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tracer.model.view import View

__all__ = ["cast", "has_compiler", "shadows"]

Floats = NDArray[np.float32]


def _compiler() -> str | None:
    return shutil.which("g++") or shutil.which("clang++")


def has_compiler() -> bool:
    """Whether panel photos can be rendered here."""
    return _compiler() is not None


@cache
def _library() -> ctypes.CDLL:
    target = Path(tempfile.mkdtemp()) / "cast.so"
    source = Path(__file__).with_name("cast.cpp")
    options = ["-O3", "-fno-math-errno", "-fno-trapping-math", "-march=native", "-shared", "-fPIC"]
    subprocess.run([str(_compiler()), *options, str(source), "-o", str(target)], check=True)
    return ctypes.CDLL(str(target))


def _pointer(array: NDArray[np.generic]) -> ctypes.c_void_p:
    assert array.flags["C_CONTIGUOUS"]
    return array.ctypes.data_as(ctypes.c_void_p)


def cast(
    height: Floats,
    light: Floats,
    ids: NDArray[np.uint8],
    step_mm: float,
    origin_mm: tuple[float, float],
    view: View,
    samples: int = 1,
) -> tuple[Floats, NDArray[np.uint8]]:
    """Linear light (H, W, 3) and the id of what each pixel shows (H, W).

    ``height`` (rows, columns) in mm over the panel's face, row 0 at the bottom; ``light`` has
    three channels more, ``ids`` names what lies in a cell. Of the lens f, centre and k1 count.
    """
    w, h = view.size_px
    out, seen = np.zeros((h, w, 3), np.float32), np.zeros((h, w), np.uint8)
    lens = np.array([view.K[0, 0], view.K[0, 2], view.K[1, 2], view.dist[0]])
    R, C = np.ascontiguousarray(view.R, np.float64), np.ascontiguousarray(view.centre_mm)
    rows, columns = height.shape
    real = ctypes.c_float
    _library().cast(
        _pointer(height), _pointer(light), _pointer(ids), columns, rows, real(step_mm),
        real(origin_mm[0]), real(origin_mm[1]), real(float(height.min()) - 0.1),
        real(float(height.max()) + 0.1), _pointer(lens), _pointer(R), _pointer(C), w, h, samples,
        real(0.6), _pointer(out), _pointer(seen),
    )  # fmt: skip
    return out, seen


def shadows(height: Floats, step_mm: float, towards: Floats) -> Floats:
    """Share (rows, columns) of a lamp that each cell sees; ``towards`` (N, 3) are its points."""
    out = np.zeros(height.shape, np.float32)
    rows, columns = height.shape
    points = np.ascontiguousarray(towards, np.float32)
    _library().shadows(
        _pointer(height), columns, rows, ctypes.c_float(step_mm), _pointer(points), len(points),
        ctypes.c_float(float(height.max())), _pointer(out),
    )  # fmt: skip
    return out
