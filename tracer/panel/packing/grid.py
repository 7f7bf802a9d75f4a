"""Overlap of a piece with everything else at all places at once, by correlation on a raster.

Shapes are sampled at the nodes of a square grid. The correlation of what is taken with a piece
is, at each node, the (weighted) number of nodes that both would cover if the piece's middle stood
there: one fast Fourier transform back per turn instead of a test per place. Sampling is neither
inward nor outward; what it misses, less than a cell, is made good by `settle`. Shapes grown by half
a cell leave `settle` next to nothing to do, and cost that much foam.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import fft
from shapely.geometry.base import BaseGeometry

from tracer.panel.packing.task import Task, Variant

__all__ = ["Bitmap", "Grid"]

Field = NDArray[np.float32]

#: nodes of a raster; a correlation takes about 2 ms at this size
_NODES = 60_000
_FINEST_MM, _COARSEST_MM = 0.75, 6.0


class Bitmap:
    """Nodes that a shape covers, with the node of its first row and column."""

    def __init__(self, shape: BaseGeometry, cell_mm: float) -> None:
        x0, y0, x1, y1 = shape.bounds
        self.left, self.low = math.ceil(x0 / cell_mm), math.ceil(y0 / cell_mm)
        nx = math.floor(x1 / cell_mm) - self.left + 1
        ny = math.floor(y1 / cell_mm) - self.low + 1
        x = (self.left + np.arange(max(nx, 0))) * cell_mm
        y = (self.low + np.arange(max(ny, 0))) * cell_mm
        grid = np.meshgrid(x, y)
        shapely.prepare(shape)
        inside = np.asarray(shapely.contains_xy(shape, *grid))
        self.on: Field = inside.astype(np.float32)


class Grid:
    """A raster over a task's bay, with transforms of the pieces' turns kept."""

    def __init__(self, task: Task, grown_cells: float = 0.0, nodes: int = _NODES) -> None:
        width, height = task.size_mm
        cell = math.sqrt(width * height / nodes)
        self.cell_mm = min(max(cell, _FINEST_MM), _COARSEST_MM)
        # an envelope may reach over the rim where the margin is less than half the gap
        over = max((_overhang_mm(task, v) for p in task.pieces for v in p.variants), default=0.0)
        self.pad = math.ceil(max(over, 0.0) / self.cell_mm) + 2
        self.nx = fft.next_fast_len(math.floor(width / self.cell_mm) + 1 + 2 * self.pad, real=True)
        self.ny = fft.next_fast_len(math.floor(height / self.cell_mm) + 1 + 2 * self.pad, real=True)
        self.task = task
        self.grown_mm = grown_cells * self.cell_mm
        self._bits: dict[tuple[int, int], Bitmap] = {}
        self._waves: dict[tuple[int, int], NDArray[np.complex64]] = {}
        self._rooms: dict[tuple[int, int], NDArray[np.bool_]] = {}
        self.blocked = self._taken(task.blocked)

    def _taken(self, regions: Iterable[BaseGeometry]) -> Field:
        taken = np.zeros((self.ny, self.nx), np.float32)
        x = (np.arange(self.nx) - self.pad) * self.cell_mm
        y = (np.arange(self.ny) - self.pad) * self.cell_mm
        gx, gy = np.meshgrid(x, y)
        for region in regions:
            wide = region.buffer(self.grown_mm, quad_segs=2)
            shapely.prepare(wide)
            taken[shapely.contains_xy(wide, gx, gy)] = 1.0
        return taken

    def node(self, x_mm: float, y_mm: float) -> tuple[int, int]:
        """Nearest node (column, row)."""
        return round(x_mm / self.cell_mm) + self.pad, round(y_mm / self.cell_mm) + self.pad

    def place(self, column: int, row: int) -> tuple[float, float]:
        """Place of a node."""
        return (column - self.pad) * self.cell_mm, (row - self.pad) * self.cell_mm

    def bits(self, piece: int, turn: int) -> Bitmap:
        """Nodes of a piece at a turn."""
        key = piece, turn
        if key not in self._bits:
            envelope = self.task.pieces[piece].variants[turn].envelope
            self._bits[key] = Bitmap(envelope.buffer(self.grown_mm, quad_segs=2), self.cell_mm)
        return self._bits[key]

    def window(self, piece: int, turn: int, column: int, row: int) -> tuple[slice, slice]:
        """The part of the raster that a piece at a node covers."""
        b = self.bits(piece, turn)
        y, x = max(row + b.low, 0), max(column + b.left, 0)
        return slice(y, y + b.on.shape[0]), slice(x, x + b.on.shape[1])

    def room(self, piece: int, turn: int) -> NDArray[np.bool_]:
        """Nodes where a piece's middle keeps the rim and its height."""
        key = piece, turn
        if key not in self._rooms:
            task = self.task
            x = (np.arange(self.nx) - self.pad) * self.cell_mm
            y = (np.arange(self.ny) - self.pad) * self.cell_mm
            limits = task.rim.offsets - task.pieces[piece].variants[turn].reach_mm
            ok = np.ones((self.ny, self.nx), bool)
            for (nx, ny), limit in zip(task.rim.normals, limits, strict=True):
                # half a cell over: a bay that is just wide enough has its place between nodes
                ok &= ny * y[:, None] + nx * x[None, :] <= limit + 0.5 * self.cell_mm
            reach = task.reach[piece]
            if reach is not None:
                ok &= ((y >= reach[0]) & (y <= reach[1]))[:, None]
            self._rooms[key] = ok
        return self._rooms[key]

    def wave(self, piece: int, turn: int) -> NDArray[np.complex64]:
        """Conjugate transform of a piece's bitmap around node 0, 0."""
        key = piece, turn
        if key not in self._waves:
            b = self.bits(piece, turn)
            image = np.zeros((self.ny, self.nx), np.float32)
            rows = (b.low + np.arange(b.on.shape[0])) % self.ny
            columns = (b.left + np.arange(b.on.shape[1])) % self.nx
            image[np.ix_(rows, columns)] = b.on
            self._waves[key] = np.conj(fft.rfft2(image, workers=1))
        return self._waves[key]

    def transform(self, taken: Field) -> NDArray[np.complex64]:
        """Transform of what is taken, to be used for several turns."""
        wave: NDArray[np.complex64] = fft.rfft2(taken, workers=1)
        return wave

    def overlap(self, taken: NDArray[np.complex64], piece: int, turn: int) -> Field:
        """(ny, nx) overlap of a piece with what is taken, by the node of its middle."""
        found: Field = fft.irfft2(
            taken * self.wave(piece, turn), s=(self.ny, self.nx), workers=1
        ).astype(np.float32, copy=False)
        return found


def _overhang_mm(task: Task, variant: Variant) -> float:
    support = task.rim.normals @ np.asarray(variant.envelope.exterior.coords)[:, :2].T
    return float((support.max(axis=1) - variant.reach_mm).max())
