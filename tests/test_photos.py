"""Photo files: orientation, kinds, limits, damage.

Outside reference: Pillow's own writer and reader of EXIF (Exif 2.32 orientation values), and the
HEIC writer of pillow-heif.
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tracer import photos
from tracer.errors import TracerError
from tracer.photos import decode_photo, read_photo

SIZE = (640, 400)


def scene() -> Image.Image:
    """A picture without any symmetry: red top left, green top right, blue bottom left."""
    pixels = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
    pixels[:100, :160] = (220, 30, 30)
    pixels[:100, -160:] = (30, 200, 30)
    pixels[-100:, :160] = (30, 30, 220)
    return Image.fromarray(pixels)


def encoded(
    image: Image.Image, kind: str = "JPEG", tags: dict[int, object] | None = None, **options: object
) -> bytes:
    exif = Image.Exif()
    for tag, value in (tags or {}).items():
        if tag in (0x920A, 0xA405, 0xA002, 0xA003):
            exif.get_ifd(0x8769)[tag] = value
        else:
            exif[tag] = value
    out = BytesIO()
    image.save(out, kind, exif=exif, **options)
    return out.getvalue()


def is_upright(pixels: np.ndarray) -> bool:
    return (
        pixels[50, 80, 0] > 150
        and pixels[50, -80, 1] > 150
        and pixels[-50, 80, 2] > 150
        and pixels.shape == (SIZE[1], SIZE[0], 3)
    )


@pytest.mark.parametrize(
    ("tag", "stored", "turns"),
    [
        (1, None, 0),
        (3, Image.Transpose.ROTATE_180, 2),
        (6, Image.Transpose.ROTATE_90, 3),
        (8, Image.Transpose.ROTATE_270, 1),
    ],
)
def test_every_orientation_comes_upright(
    tag: int, stored: Image.Transpose | None, turns: int
) -> None:
    image = scene() if stored is None else scene().transpose(stored)
    photo = decode_photo(encoded(image, tags={0x0112: tag}), "a.jpg")
    assert is_upright(photo.pixels)
    assert photo.quarter_turns == turns
    assert not photo.pixels.flags.writeable


def test_a_wrong_orientation_would_be_noticed() -> None:
    stored = scene().transpose(Image.Transpose.ROTATE_90)
    assert not is_upright(decode_photo(encoded(stored), "a.jpg").pixels)


def test_heic_is_read() -> None:
    pytest.importorskip("pillow_heif").register_heif_opener()
    photo = decode_photo(encoded(scene(), "HEIF", quality=90), "a.heic")
    assert is_upright(photo.pixels)


@pytest.mark.parametrize("mode", ["L", "RGBA", "P", "CMYK", "I;16", "LA"])
def test_other_kinds_of_pixel_become_rgb(mode: str) -> None:
    if mode == "I;16":
        image = Image.fromarray((np.asarray(scene().convert("L")).astype(np.uint16)) << 8)
    else:
        image = scene().quantize(16) if mode == "P" else scene().convert(mode)
    photo = decode_photo(encoded(image, "TIFF" if mode == "CMYK" else "PNG"), "a.png")
    assert photo.pixels.dtype == np.uint8
    assert photo.pixels.shape == (SIZE[1], SIZE[0], 3)
    grey = np.asarray(scene().convert("L"), float)
    assert abs(photo.pixels.mean(axis=2)[200, 300] - grey[200, 300]) < 4


@pytest.mark.parametrize(
    ("value", "expected"), [(26, 26.0), (0, None), (65535, None), (9, None), (300, 300.0)]
)
def test_focal_length_or_a_note(value: int, expected: float | None) -> None:
    photo = decode_photo(encoded(scene(), tags={0xA405: value}), "a.jpg")
    assert photo.focal_35mm == expected
    assert ("photo-no-focal-length" in {c.slug for c in photo.checks}) == (expected is None)


def test_a_crop_is_named_and_a_smaller_copy_is_not() -> None:
    tags = {0xA405: 26, 0xA002: 4032, 0xA003: 2520}
    assert not decode_photo(encoded(scene(), tags=tags), "a.jpg").checks  # same proportions
    cropped = decode_photo(encoded(scene().crop((0, 0, 500, 400)), tags=tags), "a.jpg")
    assert [c.slug for c in cropped.checks] == ["photo-cropped"]


def test_same_camera_setting_same_key() -> None:
    first = decode_photo(encoded(scene(), tags={0xA405: 26}), "a.jpg")
    portrait = scene().transpose(Image.Transpose.ROTATE_90)
    second = decode_photo(encoded(portrait, tags={0xA405: 26, 0x0112: 6}), "b.jpg")
    third = decode_photo(encoded(scene(), tags={0xA405: 52}), "c.jpg")
    assert first.camera_key == second.camera_key != third.camera_key
    assert len({first.photo_id, second.photo_id, third.photo_id}) == 3


def slug_of(data: bytes) -> str:
    with pytest.raises(TracerError) as caught:
        decode_photo(data, "a.jpg")
    assert "a.jpg" in caught.value.sentence
    return caught.value.slug


def test_refusals() -> None:
    good = encoded(scene())
    assert slug_of(good[: len(good) // 2]) == "photo-broken"
    assert slug_of(b"not a picture at all") == "photo-unreadable"
    assert slug_of(b"") == "photo-unreadable"
    assert slug_of(encoded(scene().resize((320, 200)))) == "photo-too-small"


def test_size_is_refused_before_decoding(monkeypatch: pytest.MonkeyPatch) -> None:
    # one bit a pixel compresses to nothing: the bomb that a limit on file size does not stop
    bomb = encoded(Image.new("1", (20000, 8000)), "PNG")
    assert len(bomb) < 100_000

    def decoded(*_: object) -> None:
        raise AssertionError("pixels were decoded")

    monkeypatch.setattr(photos, "_upright_rgb", decoded)
    assert slug_of(bomb) == "photo-too-large"


def test_missing_files_and_folders(tmp_path: Path) -> None:
    for path in (tmp_path / "nothing.jpg", tmp_path):
        with pytest.raises(TracerError) as caught:
            read_photo(path)
        assert caught.value.slug == "photo-missing"
