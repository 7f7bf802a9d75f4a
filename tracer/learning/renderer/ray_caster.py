"""Compile the ray caster for this machine and call it."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.learning.scenes.lays import Lay
from tracer.learning.scenes.records import MATERIAL, PRIM, SCENE, TOOL
from tracer.learning.scenes.shapes import PRISM, THREAD

__all__ = ["Renderer", "Tiles", "crests", "join"]

SOURCE = Path(__file__).with_name("render.cu")


@dataclass(frozen=True, eq=False)
class Tiles:
    """Rendered tiles: N of them, S px a side; numpy arrays, or torch tensors on the GPU.

    Attributes
    ----------
    light
        (N, 4S, 4S, 3) float32 linear light, four samples per pixel and axis.
    tool
        (N, S, S) uint8: 0 sheet, i + 1 the i-th thing of the lay.
    cover
        (N, 2S, 2S, 2) float32 share of each half pixel covered by tools, by cables. The valleys
        of threads count as covered here and below: a pocket follows the crests.
    near_mm
        (N, S, S) float32: -1 on things; how far the pixel's ray passes a tool; 99 where farther
        than 4 mm.
    fraction
        (N, S, S) float32: height of that nearest pass as a share of the tool's height; -1 unknown.
    """

    light: Any
    tool: Any
    cover: Any
    near_mm: Any
    fraction: Any


def _marker_bits() -> NDArray[np.uint64]:
    """One bit per cell of the 8 x 8 cells (frame included) of each marker, row by row."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    bits = np.zeros(576, np.uint64)
    for k in range(576):
        cells = np.asarray(family.generateImageMarker(k, 8)) > 127
        bits[k] = sum(1 << i for i, on in enumerate(cells.ravel()) if on)
    return bits


def join(lays: list[Lay]) -> tuple[NDArray[np.void], ...]:
    """Concatenate lays into the renderer's four arrays, with their offsets; threads are noted."""
    scenes = np.array([lay.scene for lay in lays], SCENE)
    tool_at = prim_at = mat_at = 0
    tools, prims = [], []
    for i, lay in enumerate(lays):
        t, p = lay.tools.copy(), lay.prims.copy()
        for k in t:
            own = p[k["first"] : k["first"] + k["count"]]
            k["threaded"] = (own["type"] == THREAD).any()
        t["first"] += prim_at
        scenes[i]["first_tool"], scenes[i]["first_mat"] = tool_at, mat_at
        tools.append(t)
        prims.append(p)
        tool_at, prim_at, mat_at = tool_at + len(t), prim_at + len(p), mat_at + len(lay.materials)
    mats = np.concatenate([lay.materials for lay in lays])
    return (
        scenes,
        np.concatenate(tools).astype(TOOL),
        np.concatenate(prims).astype(PRIM),
        mats.astype(MATERIAL),
    )


def crests(prims: NDArray[np.void]) -> NDArray[np.void]:
    """The primitives with every thread made the plain rod round its crests.

    Both kinds keep radius, half length and edge in their first three parameters.
    """
    filled = prims.copy()
    filled["type"][prims["type"] == THREAD] = PRISM
    return filled


class Renderer:
    """The compiled ray caster, on the GPU where there is one.

    Raises
    ------
    RuntimeError
        No compiler was found.
    """

    def __init__(self, gpu: bool) -> None:
        self.gpu = gpu
        folder = Path(tempfile.mkdtemp())
        target = folder / "render.so"
        if gpu:
            command = [
                "nvcc",
                "-O3",
                "-use_fast_math",
                "-arch=native",
                "-shared",
                "-Xcompiler",
                "-fPIC",
            ]
        else:
            compiler = shutil.which("g++") or shutil.which("clang++")
            if compiler is None:
                raise RuntimeError("The renderer needs a C++ compiler.")
            command = [
                compiler,
                "-O3",
                # all of -ffast-math but for its start-up code, which would switch denormal
                # numbers off in the whole process that loads the library
                "-fno-math-errno",
                "-fno-trapping-math",
                "-fno-signed-zeros",
                "-freciprocal-math",
                "-march=native",
                "-shared",
                "-fPIC",
                "-x",
                "c++",
            ]
        subprocess.run([*command, str(SOURCE), "-o", str(target)], check=True)
        library = ctypes.CDLL(str(target))
        self._call = library.render_scenes
        sizes = (ctypes.c_int * 4)()
        library.record_sizes(sizes)
        if list(sizes) != [d.itemsize for d in (SCENE, TOOL, PRIM, MATERIAL)]:
            raise RuntimeError("The renderer's records and records.h differ.")
        self._bits = _marker_bits()

    def render(self, lays: list[Lay]) -> tuple[Tiles, NDArray[np.float32]]:
        """Render lays of one tile size; also the height in mm of every thing, lay after lay."""
        scenes, tools, prims, mats = join(lays)
        n, size = len(scenes), int(scenes[0]["size"])
        shapes = [
            (n, 4 * size, 4 * size, 3),
            (n, size, size),
            (n, 2 * size, 2 * size, 2),
            (n, size, size),
            (n, size, size),
        ]
        filled = crests(prims)
        if self.gpu:
            return self._on_gpu((scenes, tools, prims, filled, mats), shapes)
        out = [np.zeros(s, np.uint8 if i == 1 else np.float32) for i, s in enumerate(shapes)]
        ptr = [
            a.ctypes.data_as(ctypes.c_void_p)
            for a in (scenes, tools, prims, filled, mats, self._bits, *out)
        ]
        self._run(n, len(tools), size, ptr)
        return Tiles(*out), tools["height"].copy()

    def _run(self, n: int, n_tools: int, size: int, ptr: list[ctypes.c_void_p]) -> None:
        code = self._call(ptr[0], n, ptr[1], n_tools, *ptr[2:6], size, *ptr[6:])
        if code:
            raise RuntimeError(f"The renderer failed with code {code}.")

    def _on_gpu(
        self, arrays: tuple[NDArray[np.void], ...], shapes: list[tuple[int, ...]]
    ) -> tuple[Tiles, NDArray[np.float32]]:
        import torch

        held = [
            torch.from_numpy(np.frombuffer(a.tobytes() or b"\0", np.uint8).copy()).cuda()
            for a in (*arrays, self._bits)
        ]
        out = [
            torch.zeros(s, dtype=torch.uint8 if i == 1 else torch.float32, device="cuda")
            for i, s in enumerate(shapes)
        ]
        torch.cuda.synchronize()
        ptr = [ctypes.c_void_p(t.data_ptr()) for t in (*held, *out)]
        self._run(shapes[0][0], len(arrays[1]), shapes[1][1], ptr)
        tools = np.frombuffer(held[1].cpu().numpy().tobytes()[: arrays[1].nbytes], TOOL)
        return Tiles(*out), tools["height"].copy()
