"""Films as photos: the sharp frames, from where they were taken, and what cannot be read."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from tracer.calibration import CardSizes, calibrate
from tracer.errors import TracerError
from tracer.films import LONGEST_S, STRETCHES, frames_of, is_film, sharpness
from tracer.photos import decode_photo, read_photo
from tracer.workflows.tracing.choosing import best_looks, look_at

SAMPLES = Path(__file__).parent.parent / "sample_images"
RATE = 8.0
PER_PLACE = 32  # frames at each of the three places


@pytest.fixture(scope="module")
def sweep(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A film of the sample wall: 32 frames from each of three places, all but every 16th shaken.

    Shaken frames are blurred along a line of 15 px, as a moving hand does.
    """
    path = tmp_path_factory.mktemp("film") / "sweep.mp4"
    writer: cv2.VideoWriter | None = None
    shake = np.eye(15, dtype=np.float32) / 15
    for photo in sorted((SAMPLES / "wall").glob("photo_*.jpg")):
        still = cv2.imread(str(photo))
        still = cv2.resize(still, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        still = still[: still.shape[0] // 2 * 2, : still.shape[1] // 2 * 2]
        if writer is None:
            size = (still.shape[1], still.shape[0])
            writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), RATE, size)
        shaken = cv2.filter2D(still, -1, shake)
        for k in range(PER_PLACE):
            writer.write(still if k % 16 == 5 else shaken)
    assert writer is not None
    writer.release()
    return path


def test_the_sharp_frames_of_a_sweep_are_kept(sweep: Path) -> None:
    """Sharp ones are frames 5, 21, 37 ...; each stretch that holds one gives just that one."""
    told: list[float] = []
    frames = frames_of(sweep, told.append)
    assert len(frames) == STRETCHES
    assert all(name.startswith("sweep at ") and name.endswith(" s.jpg") for name, _ in frames)
    taken = [round(float(name.split(" at ")[1].split()[0]) * RATE) for name, _ in frames]
    sharp = {k for k in range(3 * PER_PLACE) if k % 16 == 5}
    # 16 stretches of 6 frames; names give tenths of a second, less than a frame
    assert sharp <= set(taken)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1, abs=0.1)


def test_a_film_is_solved_as_its_photos_are(sweep: Path) -> None:
    """Foot points of the cameras as the photos themselves give them, the cards' frame being alike.

    Half the size and a codec for films: 3 mm were seen, 8 are allowed. A film tells no focal
    length, which then trades against the height: 2.5 % of it were seen, 4 are allowed.
    """
    files = frames_of(sweep)
    frames = [decode_photo(data, name) for name, data in files]
    chosen = best_looks(look_at(frames, CardSizes()), 3)
    film = calibrate([frames[k] for k in chosen])
    photos = calibrate([read_photo(p) for p in sorted((SAMPLES / "wall").glob("photo_*.jpg"))])
    for one, other in zip(film.views, photos.views, strict=True):
        assert one.height_mm == pytest.approx(other.height_mm, rel=0.04)
        assert float(np.linalg.norm(one.nadir_mm - other.nadir_mm)) < 8


def test_sharpness_falls_with_blur() -> None:
    g = np.random.default_rng(2)
    frame = g.integers(0, 256, (200, 300, 3), np.uint8)
    levels = [sharpness(cv2.GaussianBlur(frame, (0, 0), s)) for s in (0.5, 1.0, 2.0, 4.0)]
    assert all(a > 2 * b for a, b in pairwise(levels))


@pytest.mark.parametrize(
    ("name", "film"), [("a.MP4", True), ("b.mov", True), ("c.jpg", False), ("mp4", False)]
)
def test_films_are_known_by_their_names(name: str, film: bool) -> None:
    assert is_film(Path(name)) == film


def test_what_is_no_film_is_told(tmp_path: Path, sweep: Path) -> None:
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(sweep.read_bytes()[:2000])
    for path, slug in (
        (broken, "film-unreadable"),
        (tmp_path / "none.mp4", "photo-missing"),
    ):
        with pytest.raises(TracerError) as caught:
            frames_of(path)
        assert caught.value.slug == slug


def test_a_film_without_end_is_told(tmp_path: Path) -> None:
    path = tmp_path / "long.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 1.0, (64, 48))
    for _ in range(int(LONGEST_S) + 5):
        writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    with pytest.raises(TracerError) as caught:
        frames_of(path)
    assert caught.value.slug == "film-too-long"
