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
from tracer.segmentation.raster import Image, Mask

__all__ = ["MODEL_SHA256", "Answers", "Network", "encode_srgb", "load_network", "model_bytes"]

MODEL_FILE = "silhouette.onnx"
MODEL_SHA256 = "d2e2f03f786131a27a31a2017f83959b90b3896751e0b1643ba7613e23bf8986"

TILE = 512  # cells; a tile's working memory is about 150 MB
OVERLAP = 64  # cells shared by neighbours, blended
MULTIPLE = 32  # the network halves five times
LEAST_SIGMA, MOST_SIGMA = 0.02, 0.62  # range of the height's standard deviation, as trained


@dataclass(frozen=True, eq=False)
class Answers:
    """What the network says, per cell of the working picture, all (rows, columns) float32.

    Attributes
    ----------
    tool, contact, cable, rim
        Probabilities: tool; where two tools meet; cable; within two cells of a tool's edge.
    height
        Height of the seen edge as a share of the tool's height, to be read just outside an edge.
    height_sigma
        Standard deviation of ``height``.
    """

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
            "Install tracer again, or run with --silhouettes classical.",
        )
    return data


def encode_srgb(linear: Image) -> Image:
    """Linear light 0..1 to sRGB values 0..1 (IEC 61966-2-1)."""
    x = np.clip(linear, 0.0, 1.0)
    high = 1.055 * np.power(np.maximum(x, 1e-6), np.float32(1 / 2.4)) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, high).astype(np.float32)


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
        self, srgb: Image, offset: Image, progress: Callable[[float], None] | None = None
    ) -> Answers:
        """Run over a picture of any size.

        Parameters
        ----------
        srgb
            (rows, columns, 3) RGB, 0..1, at about 1 mm per cell; black where nothing is seen.
        offset
            (rows, columns, 2) way from the camera's foot point to the cell over the camera's
            height, x right and y up; zeros without a camera.
        """
        rows, cols = srgb.shape[:2]
        stack = np.concatenate([srgb, offset], axis=2).transpose(2, 0, 1)
        tops, lefts = _starts(rows), _starts(cols)
        total = np.zeros((6, rows, cols), np.float32)
        weights = np.zeros((rows, cols), np.float32)
        done = 0
        for top in tops:
            for left in lefts:
                part = stack[:, top : top + TILE, left : left + TILE]
                out = self._tile(part)
                fade = np.outer(_fade(part.shape[1]), _fade(part.shape[2])).astype(np.float32)
                window = np.s_[top : top + part.shape[1], left : left + part.shape[2]]
                total[:, window[0], window[1]] += out * fade
                weights[window] += fade
                done += 1
                if progress:
                    progress(done / (len(tops) * len(lefts)))
        total /= weights
        sigma = LEAST_SIGMA + (MOST_SIGMA - LEAST_SIGMA) * total[4]
        return Answers(total[0], total[1], total[2], total[5], total[3], sigma)

    def _tile(self, part: Image) -> Image:
        h, w = part.shape[1:]
        down, right = -h % MULTIPLE, -w % MULTIPLE
        padded = np.pad(part, ((0, 0), (0, down), (0, right)), mode="edge")
        self._net.setInput(np.ascontiguousarray(padded[None]))
        return np.asarray(self._net.forward()[0][:, :h, :w], np.float32)


def _starts(length: int) -> list[int]:
    """First cells of tiles that cover ``length`` cells, overlapping.

    Multiples of `MULTIPLE`, so that all tiles halve the picture at the same cells.
    """
    if length <= TILE:
        return [0]
    last = -(-(length - TILE) // MULTIPLE)
    count = -(-last * MULTIPLE // (TILE - OVERLAP)) + 1
    return [round(k * last / (count - 1)) * MULTIPLE for k in range(count)]


def _fade(length: int) -> NDArray[np.float64]:
    k = np.arange(length)
    return np.clip(np.minimum(k + 1, length - k), 0, OVERLAP) / OVERLAP


@lru_cache(maxsize=1)
def load_network() -> Network:
    """The shipped network, read once per process (use it from one thread)."""
    return Network(model_bytes())


def blank(seen: Mask, srgb: Image) -> Image:
    """The picture with black where the photo does not reach, as in training."""
    return np.where(seen[..., None], srgb, np.float32(0)).astype(np.float32)
