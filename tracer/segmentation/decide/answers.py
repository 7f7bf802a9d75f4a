"""The shipped network: from the working picture to what it says of each cell.

The file is read from the package, checked against its checksum and run by OpenCV's own engine in
overlapping tiles. One `Network` serves one thread.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.segmentation.working_picture.raster import Image

__all__ = ["MODEL_SHA256", "Answers", "Network", "load_network", "model_bytes"]

MODEL_FILE = "silhouette.onnx"
MODEL_SHA256 = "056e617cd3b5b5550bafce78ceb2474a21e9f1d962dfe76dd164773f97e1b6c0"

LARGEST_TILE = 576 * 576  # cells; a tile's working memory is then about 300 MB
OVERLAP = 64  # cells shared by neighbours, blended
ANSWERS = 9  # maps that the network gives per cell
MULTIPLE = 32  # the network halves five times
LEAST_SIGMA, MOST_SIGMA = 0.02, 0.62  # range of the height's standard deviation, as trained


@dataclass(frozen=True, eq=False)
class Answers:
    """What the network says, per cell of the working picture, all (rows, columns) float32.

    Attributes
    ----------
    fine
        (2 rows, 2 columns) probability of tool per quarter of a cell.
    tool, contact, cable, rim
        Probabilities: tool; where two tools meet; cable; within two cells of a tool's edge.
    height
        Height of the seen edge as a share of the tool's height, to be read just outside an edge.
    height_sigma
        Standard deviation of ``height``.
    """

    fine: Image
    tool: Image
    contact: Image
    cable: Image
    rim: Image
    height: Image
    height_sigma: Image


def model_bytes() -> bytes:
    """The shipped ONNX file.

    Raises
    ------
    TracerError
        ``model-damaged``: the file is missing or not the one that was released.
    """
    file = resources.files("tracer") / "assets" / "models" / MODEL_FILE
    data = file.read_bytes() if file.is_file() else b""
    return _checked(data)


def _checked(data: bytes) -> bytes:
    if hashlib.sha256(data).hexdigest() != MODEL_SHA256:
        raise TracerError(
            "model-damaged",
            "The learned model that comes with tracer is missing or damaged.",
            "Install tracer again, or ask for the classical silhouettes.",
        )
    return data


class Network:
    """The model in OpenCV's engine.

    Parameters
    ----------
    data
        Bytes of the ONNX file.
    """

    def __init__(self, data: bytes) -> None:
        self._net = cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))

    def answer(
        self,
        picture: NDArray[np.uint8],
        offset: Image,
        progress: Callable[[float], None] | None = None,
    ) -> Answers:
        """Run over a picture of any size.

        Parameters
        ----------
        picture
            (2 rows, 2 columns, 3) sRGB at about 0.5 mm, a quarter of a cell; black where nothing
            is seen.
        offset
            (rows, columns, 2) way from the camera's foot point to the cell over the camera's
            height, x right and y up; zeros without a camera.
        """
        rows, cols = offset.shape[:2]
        (tops, height), (lefts, width) = _tiling(rows, cols)
        total = np.zeros((ANSWERS, rows, cols), np.float32)
        weights = np.zeros((rows, cols), np.float32)
        done = 0
        for top in tops:
            for left in lefts:
                window = np.s_[top : top + height, left : left + width]
                quarters = picture[2 * top : 2 * (top + height), 2 * left : 2 * (left + width)]
                out = self._tile(quarters, offset[window])
                fade = np.outer(_fade(out.shape[1]), _fade(out.shape[2])).astype(np.float32)
                total[:, window[0], window[1]] += out * fade
                weights[window] += fade
                done += 1
                if progress:
                    progress(done / (len(tops) * len(lefts)))
        total /= weights
        sigma = LEAST_SIGMA + (MOST_SIGMA - LEAST_SIGMA) * total[7]
        fine = total[:4].reshape(2, 2, rows, cols).transpose(2, 0, 3, 1).reshape(2 * rows, -1)
        return Answers(
            np.ascontiguousarray(fine),
            total[:4].mean(axis=0),
            total[4],
            total[5],
            total[8],
            total[6],
            sigma,
        )

    def _tile(self, quarters: NDArray[np.uint8], offset: Image) -> Image:
        h, w = offset.shape[:2]
        down, right = -h % MULTIPLE, -w % MULTIPLE
        parts = quarters.reshape(h, 2, w, 2, 3).transpose(4, 1, 3, 0, 2).reshape(12, h, w)
        stack = np.concatenate([parts * np.float32(1 / 255), offset.transpose(2, 0, 1)])
        padded = np.pad(stack, ((0, 0), (0, down), (0, right)), mode="edge")
        self._net.setInput(np.ascontiguousarray(padded[None], np.float32))
        return np.asarray(self._net.forward()[0][:, :h, :w], np.float32)


def _tiling(rows: int, cols: int) -> tuple[tuple[list[int], int], tuple[list[int], int]]:
    """First cells of overlapping tiles that cover so many cells, and the tiles' own length.

    Down, then across; as few cells in all as tiles of at most `LARGEST_TILE` allow. All are
    multiples of `MULTIPLE`, so that all tiles halve the picture at the same cells.
    """
    down, across = (
        [(count, _tile(length, count)) for count in range(1, length // OVERLAP + 2)]
        for length in (rows, cols)
    )
    ways = ((a * h * b * w, a, b) for a, h in down for b, w in across if h * w <= LARGEST_TILE)
    _, a, b = min(ways)
    return (_starts(rows, a), _tile(rows, a)), (_starts(cols, b), _tile(cols, b))


def _tile(length: int, count: int) -> int:
    return -(-(length + (count - 1) * OVERLAP) // (count * MULTIPLE)) * MULTIPLE


def _starts(length: int, count: int) -> list[int]:
    last = max(0, -(-(length - _tile(length, count)) // MULTIPLE))
    return [round(k * last / max(count - 1, 1)) * MULTIPLE for k in range(count)]


def _fade(length: int) -> NDArray[np.float64]:
    k = np.arange(length)
    return np.clip(np.minimum(k + 1, length - k), 0, OVERLAP) / OVERLAP


@lru_cache(maxsize=1)
def load_network() -> Network:
    """The shipped network, read once per process (use it from one thread)."""
    return Network(model_bytes())
