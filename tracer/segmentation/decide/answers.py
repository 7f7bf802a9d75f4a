"""The shipped networks for one photo: from the working picture to what they say of each cell.

Two networks of one shape, one trained on from the other, are read from the package, checked
against their checksums and run by OpenCV's own engine in overlapping tiles. Each looks at a tile
twice: as it is and turned about, mirrored and upside down. What they say of a place is the mean of
the four: where one is unsure, the others err otherwise. A look that contradicts the first one over
much of the tile has taken the ground for the thing and does not count. One `Network` serves one
thread.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.segmentation.decide.tiling import (
    Window,
    cropped,
    mirrored_input,
    mirrored_maps,
    stitched,
    tile_input,
)
from tracer.segmentation.working_picture.raster import Image

__all__ = ["MODELS", "Answers", "Network", "load_network", "model_bytes"]

#: files and their SHA-256; the later one was trained on from the elder
MODELS = (
    ("silhouette.onnx", "7b0b72330ee1def6000d16ad46c19ffb0092f316359ca48a1bbf20fed9dda937"),
    ("silhouette_elder.onnx", "056e617cd3b5b5550bafce78ceb2474a21e9f1d962dfe76dd164773f97e1b6c0"),
)

#: which of the networks looks at a tile, and whether upside down and mirrored left to right
LOOKS = ((0, False, False), (0, True, True), (1, False, True), (1, True, False))

#: of a tile's cells, so many may be decided otherwise than at the first look
MOST_OTHERWISE = 0.2

LEAST_SIGMA, MOST_SIGMA = 0.02, 0.62  # range of the height's standard deviation, as trained


@dataclass(frozen=True, eq=False)
class Answers:
    """What the networks say, per cell of the working picture, all (rows, columns) float32.

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

    @classmethod
    def of(cls, maps: Image) -> Answers:
        """Answers from the nine maps of a network, (9, rows, columns)."""
        _, rows, cols = maps.shape
        fine = maps[:4].reshape(2, 2, rows, cols).transpose(2, 0, 3, 1).reshape(2 * rows, -1)
        return cls(
            np.ascontiguousarray(fine),
            maps[:4].mean(axis=0),
            maps[4],
            maps[5],
            maps[8],
            maps[6],
            LEAST_SIGMA + (MOST_SIGMA - LEAST_SIGMA) * maps[7],
        )


def model_bytes(name: str, sha256: str) -> bytes:
    """A shipped ONNX file.

    Raises
    ------
    TracerError
        ``model-damaged``: the file is missing or not the one that was released.
    """
    file = resources.files("tracer") / "assets" / "models" / name
    data = file.read_bytes() if file.is_file() else b""
    return _checked(data, sha256)


def _checked(data: bytes, sha256: str) -> bytes:
    if hashlib.sha256(data).hexdigest() != sha256:
        raise TracerError(
            "model-damaged",
            "The learned model that comes with tracer is missing or damaged.",
            "Install tracer again, or ask for the classical silhouettes.",
        )
    return data


class Network:
    """The models in OpenCV's engine.

    Parameters
    ----------
    models
        Bytes of their ONNX files.
    looks
        Who looks at each tile and how, as `LOOKS`.
    """

    def __init__(
        self, models: Sequence[bytes], looks: Sequence[tuple[int, bool, bool]] = LOOKS
    ) -> None:
        self._looks = looks
        self._nets = [cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8)) for data in models]

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
            (2 rows, 2 columns, 3) sRGB at about 0.5 mm, a quarter of a cell; mirrored where nothing
            is seen.
        offset
            (rows, columns, 2) way from the camera's foot point to the cell over the camera's
            height, x right and y up; zeros without a camera.
        """
        shape = offset.shape[0], offset.shape[1]

        def run(window: Window) -> list[Image]:
            stack = tile_input(picture, offset, window)
            seen = []
            for who, *look in self._looks:
                self._nets[who].setInput(mirrored_input(stack, *look))
                seen.append(mirrored_maps(self._nets[who].forward(), *look))
            return [cropped(_agreed(seen), shape, window)]

        return Answers.of(*stitched(shape, [1], run, progress))


def _agreed(looks: Sequence[Image]) -> Image:
    """Mean of the maps (1, 9, H, W) of those looks that see what the first one sees."""
    tools = [np.maximum(m[0, :4].mean(axis=0), m[0, 5]) > 0.5 for m in looks]
    alike = [
        m for m, t in zip(looks, tools, strict=True) if (t != tools[0]).mean() <= MOST_OTHERWISE
    ]
    return np.asarray(sum(alike[1:], alike[0]) / len(alike), np.float32)


@lru_cache(maxsize=1)
def load_network() -> Network:
    """The shipped networks for one photo, read once per process (use them from one thread)."""
    return Network([model_bytes(*model) for model in MODELS])
