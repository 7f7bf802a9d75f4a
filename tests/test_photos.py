"""Photo files: orientation, kinds, limits, damage.

Outside reference: Pillow's own writer and reader of EXIF (Exif 2.32 orientation values), the HEIC
writer of pillow-heif, and OpenCV's writer of 16 bit and floating point samples.
"""

from __future__ import annotations

import os
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, TiffImagePlugin

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


def tiff_of(image: Image.Image, orientation: int, **exif: int) -> bytes:
    """A TIFF with its own orientation tag and an Exif directory (Exif 2.32, tag 0x8769)."""
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[0x0112] = orientation
    tags.tagtype[0x8769] = TiffImagePlugin.TiffTags.LONG
    tags[0x8769] = {int(k[1:], 16): v for k, v in exif.items()}
    out = BytesIO()
    image.save(out, "TIFF", tiffinfo=tags)
    return out.getvalue()


@pytest.mark.parametrize(
    ("tag", "stored", "turns"),
    [(1, None, 0), (3, Image.Transpose.ROTATE_180, 2), (6, Image.Transpose.ROTATE_90, 3)],
)
@pytest.mark.parametrize("kind", ["TIFF", "WEBP", "PNG"])
def test_other_formats_come_upright_too(
    kind: str, tag: int, stored: Image.Transpose | None, turns: int
) -> None:
    image = scene() if stored is None else scene().transpose(stored)
    data = encoded(image, kind, tags={0x0112: tag, 0xA405: 26}, lossless=True)
    if kind == "TIFF":
        data = tiff_of(image, tag, xA405=26)
    photo = decode_photo(data, "a")
    assert is_upright(photo.pixels) and photo.quarter_turns == turns
    assert photo.focal_35mm == 26


@pytest.mark.parametrize("ending", [".tiff", ".png"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bits_become_eight(ending: str, channels: int) -> None:
    deep = np.asarray(scene()).astype(np.uint16) * 257  # 0..255 spread over 0..65535
    written = deep[:, :, ::-1] if channels == 3 else deep[:, :, 0]
    photo = decode_photo(cv2.imencode(ending, written)[1].tobytes(), "a")
    expected = np.asarray(scene()) if channels == 3 else np.asarray(scene())[:, :, :1]
    assert np.abs(photo.pixels.astype(int) - expected).max() <= 1  # rounding of the reader


def test_big_endian_sixteen_bits() -> None:
    grey = (np.asarray(scene().convert("L")).astype(np.uint16) << 8).astype(">u2")
    head = b"MM\x00*" + (8 + grey.nbytes).to_bytes(4, "big")  # TIFF 6.0, section 2
    entries = [
        (256, 4, SIZE[0]),
        (257, 4, SIZE[1]),
        (258, 3, 16 << 16),
        (259, 3, 1 << 16),
        (262, 3, 1 << 16),
        (273, 4, 8),
        (277, 3, 1 << 16),
        (278, 4, SIZE[1]),
        (279, 4, grey.nbytes),
    ]
    directory = len(entries).to_bytes(2, "big")
    for tag, kind, value in entries:
        directory += tag.to_bytes(2, "big") + kind.to_bytes(2, "big") + b"\0\0\0\1"
        directory += value.to_bytes(4, "big")
    photo = decode_photo(head + grey.tobytes() + directory + bytes(4), "a.tif")
    assert np.array_equal(photo.pixels[:, :, 1], np.asarray(scene().convert("L")))


@pytest.mark.parametrize("kind", ["TIFF", "WEBP", "PNG"])
def test_what_is_see_through_is_shown_on_white(kind: str) -> None:
    image = scene().convert("RGBA")
    image.paste((10, 20, 30, 0), (200, 120, 420, 280))
    photo = decode_photo(encoded(image, kind, lossless=True), "a")
    assert photo.pixels[200, 300].tolist() == [255, 255, 255]
    assert photo.pixels[350, 400].tolist() == [90, 90, 90]


@pytest.mark.parametrize("kind", ["TIFF", "WEBP", "PNG"])
def test_several_pictures_in_a_file_are_refused(kind: str) -> None:
    other = scene().rotate(180)
    assert slug_of(encoded(scene(), kind, save_all=True, append_images=[other])) == "photo-several"


def test_previews_beside_a_picture_are_passed_over() -> None:
    small = scene().resize((160, 100))
    data = encoded(scene(), "TIFF", save_all=True, append_images=[small, small])
    assert is_upright(decode_photo(data, "a.tif").pixels)
    # a JPEG with a second picture behind it (CIPA DC-007), as phones store depth
    both = encoded(scene(), "MPO", save_all=True, append_images=[scene().rotate(180)])
    assert is_upright(decode_photo(both, "a.jpg").pixels)


def test_pages_that_go_round_in_a_loop_end() -> None:
    data = bytearray(encoded(scene(), "TIFF"))
    start = int.from_bytes(data[4:8], "little")
    count = int.from_bytes(data[start : start + 2], "little")
    at = start + 2 + 12 * count  # TIFF 6.0, section 2: the offset of the next directory
    data[at : at + 4] = start.to_bytes(4, "little")
    assert is_upright(decode_photo(bytes(data), "a.tif").pixels)


@pytest.mark.parametrize("mode", ["F", "I", "LAB"])
def test_pixels_of_other_kinds_are_named(mode: str) -> None:
    data = encoded(scene().convert("L").convert(mode) if mode != "LAB" else lab(), "TIFF")
    with pytest.raises(TracerError) as caught:
        decode_photo(data, "a.tif")
    assert caught.value.slug == "photo-unreadable"
    assert ("Lab" if mode == "LAB" else "32 bits") in caught.value.sentence


def lab() -> Image.Image:
    return Image.merge("LAB", scene().split())


#: heads of formats that a general reader opens, EPS by way of another program
FOREIGN = {
    "EPS": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 640 480\n%%EndComments\nshowpage\n",
    "PPM": b"P6 640 480 255\n" + bytes(640 * 480 * 3),
    "XBM": b"#define a_width 640\n#define a_height 480\nstatic char a_bits[] = {" + b"0x00," * 9,
}


@pytest.mark.parametrize("kind", [*FOREIGN, "BMP", "GIF", "TGA", "JPEG2000", "AVIF", "ICO", "PCX"])
def test_other_kinds_never_reach_their_reader(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    try:
        data = FOREIGN.get(kind) or encoded(scene(), kind)
    except (OSError, KeyError):
        pytest.skip(f"this build cannot write {kind}")
    asked = []
    Image.init()
    for name, (factory, accept) in dict(Image.OPEN).items():

        def spied(*a: object, name: str = name, factory: object = factory) -> object:
            asked.append(name)
            return factory(*a)  # type: ignore[operator]

        monkeypatch.setitem(Image.OPEN, name, (spied, accept))
    for started in ("Popen", "call", "run", "check_call"):
        monkeypatch.setattr(f"subprocess.{started}", lambda *_, **__: asked.append("a program"))
    assert slug_of(data) == "photo-unreadable"
    assert set(asked) <= {"JPEG", "PNG", "TIFF", "WEBP", "HEIF"}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_pipes_and_devices_are_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    for path in (tmp_path / "pipe.jpg", Path("/dev/zero")):
        with pytest.raises(TracerError) as caught:
            read_photo(path)
        assert caught.value.slug == "photo-unreadable"
    with pytest.raises(TracerError) as caught:
        read_photo(tmp_path / ("x" * 300 + ".jpg"))
    assert caught.value.slug == "photo-unreadable"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_damaged_files_end_in_a_sentence(kind: str) -> None:
    """Bytes overwritten at random places, fixed seed: a photo or a refusal, nothing else."""
    good = encoded(scene(), kind, tags={0xA405: 26})
    random = np.random.default_rng(4)
    slugs = set()
    for _ in range(60):
        data = bytearray(good)
        reach = 400 if random.random() < 0.7 else len(data)
        for at in random.integers(0, min(reach, len(data)), random.integers(1, 8)):
            data[at] = random.integers(0, 256)
        try:
            decode_photo(bytes(data), "a.jpg")
        except TracerError as error:
            slugs.add(error.slug)
    assert slugs <= {
        "photo-broken",
        "photo-unreadable",
        "photo-too-large",
        "photo-too-small",
        "photo-several",
    }
