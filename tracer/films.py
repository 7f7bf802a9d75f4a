"""Films of a lay, swept over it by hand: read as photos, their sharpest frames.

The film is cut into stretches of equal length; of each the sharpest frame is kept. Which of these
are solved together is chosen afterwards, as of any photos that are too many
(`tracer.workflows.tracing.choosing`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.photos import printable_name

__all__ = ["FILM_SUFFIXES", "STRETCHES", "frames_of", "is_film", "sharpness"]

FILM_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm"})
STRETCHES = 16  # twice as many as are solved together: those blurred or doubled can be left
LONGEST_S = 120.0
LOOKS_PER_STRETCH = 12  # frames looked at; neighbours in a film are as blurred as each other
JPEG_QUALITY = 97

Frame = NDArray[np.uint8]


def is_film(path: Path) -> bool:
    """Whether a file's name is that of a film."""
    return path.suffix.lower() in FILM_SUFFIXES


def sharpness(frame: Frame) -> float:
    """Mean square of the Laplacian of a frame (h, w, 3), at half its size: more where sharper.

    J. L. Pech-Pacheco and others, "Diatom autofocusing in brightfield microscopy", ICPR 2000. Only
    frames of the same things are to be compared.
    """
    grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return float(np.mean(np.square(cv2.Laplacian(half, cv2.CV_32F))))


def frames_of(
    path: Path, progress: Callable[[float], None] | None = None
) -> list[tuple[str, bytes]]:
    """The sharpest frame of each stretch of a film: names for people, and JPEG files.

    Raises
    ------
    TracerError
        ``film-unreadable``, ``film-too-long``, ``photo-missing``.
    """
    if not path.is_file():
        raise TracerError(
            "photo-missing", f"There is no file {path}.", "Check the name and the folder."
        )
    # the decoder writes its own complaints to the terminal otherwise
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    film = cv2.VideoCapture(str(path))
    try:
        count, rate = (film.get(k) for k in (cv2.CAP_PROP_FRAME_COUNT, cv2.CAP_PROP_FPS))
        if not film.isOpened() or count < 1 or rate <= 0:
            raise _unreadable(path)
        if count / rate > LONGEST_S:
            raise TracerError(
                "film-too-long",
                f"{path.name} is {count / rate:.0f} s long; at most {LONGEST_S:.0f} s are read.",
                "Cut it to the slow sweep over the lay, or take photos.",
            )
        found = list(_sharpest(film, int(count), rate, path.name, progress))
    finally:
        film.release()
    if not found:
        raise _unreadable(path)
    return found


def _unreadable(path: Path) -> TracerError:
    return TracerError(
        "film-unreadable",
        f"{path.name} cannot be read as a film.",
        "Copy it again, save it as MP4 (H.264), or take photos.",
    )


def _sharpest(
    film: cv2.VideoCapture,
    count: int,
    rate: float,
    name: str,
    progress: Callable[[float], None] | None,
) -> Iterator[tuple[str, bytes]]:
    """The sharpest frame of each stretch, as a JPEG; a film cut short ends early."""
    each = max(1, count // (STRETCHES * LOOKS_PER_STRETCH))
    best: tuple[float, int, Frame] | None = None
    stretch = 0
    for k in range(count):
        if not film.grab():
            break
        now = k * STRETCHES // count
        if now != stretch and best is not None:
            yield _kept(best, rate, name)
            best = None
        stretch = now
        if k % each:
            continue
        whole, frame = film.retrieve()
        if not whole:
            continue
        sharp = sharpness(np.asarray(frame, np.uint8))
        if best is None or sharp > best[0]:
            best = sharp, k, np.asarray(frame, np.uint8)
        if progress:
            progress((k + 1) / count)
    if best is not None:
        yield _kept(best, rate, name)


def _kept(best: tuple[float, int, Frame], rate: float, name: str) -> tuple[str, bytes]:
    _, k, frame = best
    _, data = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return f"{printable_name(Path(name).stem)} at {k / rate:.1f} s.jpg", data.tobytes()
