"""One photo decided with the others of its lay: the shipped networks for several photos.

The first encodes each photo once, into features that the others use; the second decides a photo
from itself and what the others' features say together (`tracer.segmentation.decide.company`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.model.view import View
from tracer.segmentation.decide.answers import Answers, model_bytes
from tracer.segmentation.decide.company import LEVELS, Features, Witness, company
from tracer.segmentation.decide.tiling import Window, cropped, stitched, tile_input
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["Joint", "JointNetworks", "load_joint_networks"]

WITNESS_FILE, JOINT_FILE = "witness.onnx", "joint.onnx"
WITNESS_SHA256 = "baea071512542f577d22c0945af48253b1ebfe5e3f4ca46b0f07d1d8e560cb35"
JOINT_SHA256 = "ed9eff32d430c328730f0364141aee5e661cf9fcf319766fbc70186a4e0ae481"
LARGEST = 448 * 448  # cells of a tile: two networks are held at a time, and what all photos tell
OUTPUTS = ("near", "deep")  # of the first, as `LEVELS`


class JointNetworks:
    """Both networks in OpenCV's engine.

    Parameters
    ----------
    witness, joint
        Bytes of the ONNX files.
    """

    def __init__(self, witness: bytes, joint: bytes) -> None:
        self._witness, self._joint = (
            cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8)) for data in (witness, joint)
        )

    def witness(
        self, picture: NDArray[np.uint8], offset: Image, seen: Mask, raster: Raster, view: View
    ) -> Witness:
        """Features of one photo; arguments as `Network.answer` has them, and where it lies.

        ``seen`` (rows, columns) are the cells that the photo covers: beyond them it tells nothing.
        """

        def run(window: Window) -> list[Image]:
            self._witness.setInput(tile_input(picture, offset, window))
            return [np.asarray(m[0], np.float32) for m in self._witness.forward(OUTPUTS)]

        levels = [
            Features(values.astype(np.float16), _all_seen(seen, times, values.shape[1:]))
            for values, times in zip(
                stitched(raster.shape, LEVELS, run, largest=LARGEST), LEVELS, strict=True
            )
        ]
        x, y = view.nadir_mm
        return Witness(raster, tuple(levels), (float(x), float(y)), float(view.height_mm))

    def answer(
        self,
        picture: NDArray[np.uint8],
        offset: Image,
        own: Witness,
        others: Sequence[Witness],
        progress: Callable[[float], None] | None = None,
    ) -> Answers:
        """Decide one photo with the others; arguments as `Network.answer` has them."""
        shape = offset.shape[0], offset.shape[1]

        def run(window: Window) -> list[Image]:
            stack = tile_input(picture, offset, window)
            self._joint.setInput(stack, "sheet")
            for level, (name, times) in enumerate(zip(OUTPUTS, LEVELS, strict=True)):
                rows, cols = (
                    slice(w.start // times, (w.start + n) // times)
                    for w, n in zip(window, stack.shape[2:], strict=True)
                )
                told = company(own, others, level, (rows, cols))
                self._joint.setInput(np.ascontiguousarray(told[None]), name)
            return [cropped(self._joint.forward(), shape, window)]

        return Answers.of(*stitched(shape, [1], run, progress, LARGEST))


def _all_seen(seen: Mask, times: int, shape: tuple[int, ...]) -> NDArray[np.float16]:
    """1 where all of a feature's cells show something; nothing is seen beyond the last cell."""
    rows, cols = seen.shape
    filled = np.zeros((shape[0] * times, shape[1] * times), np.bool_)
    filled[:rows, :cols] = seen
    whole = filled.reshape(shape[0], times, shape[1], times).all(axis=(1, 3))
    return np.asarray(whole, np.float16)


@dataclass(frozen=True, eq=False)
class Joint:
    """A photo among others: stands where one photo's `Network` does."""

    networks: JointNetworks
    own: Witness
    others: Sequence[Witness]

    def answer(
        self,
        picture: NDArray[np.uint8],
        offset: Image,
        progress: Callable[[float], None] | None = None,
    ) -> Answers:
        """As `Network.answer`."""
        return self.networks.answer(picture, offset, self.own, self.others, progress)


@lru_cache(maxsize=1)
def load_joint_networks() -> JointNetworks:
    """The shipped networks, read once per process (use them from one thread)."""
    return JointNetworks(
        model_bytes(WITNESS_FILE, WITNESS_SHA256), model_bytes(JOINT_FILE, JOINT_SHA256)
    )
