"""Reading photo files: upright pixels, what the file says of the lens, and honest refusals.

The only module that decodes photographs. A file's size is looked at before any pixel is decoded.

The picture library knows some forty kinds of file, and hands a few of them to other programs on
the computer (EPS to a PostScript interpreter, for one). `FORMATS` are the kinds that are opened;
the readers of all others are never asked. What is made of the less usual ones:

- TIFF: turned upright by its orientation tag; 16 bits a channel are reduced to 8. Several pictures
  in one file are refused, but for previews; so are samples of 32 bits and Lab colours.
- WebP, PNG: a film is refused. What is see-through is shown on white, in every format.
- HEIC: the file's primary picture, 8 bits. A JPEG's further pictures (depth, gain map) are passed
  over.
"""

from __future__ import annotations

import hashlib
import stat
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageOps

from tracer.errors import TracerError
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity

__all__ = [
    "FORMATS",
    "MAX_MEGAPIXELS",
    "camera_of",
    "decode_photo",
    "printable_name",
    "read_photo",
    "read_photo_bytes",
]

MAX_MEGAPIXELS = 120  # above any phone's full resolution we know of; keeps decoding under 400 MB
MAX_FILE_BYTES = 200_000_000
#: kinds of file as the picture library names them; a JPEG of several pictures (MPO) is a JPEG
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
HEIC_FORMATS = ("HEIF",)  # HEIC is HEIF with HEVC inside; known to the library once registered
KINDS = "JPEG, PNG, HEIC, TIFF or WebP"
#: ways of storing pixels that become RGB without loss that matters; 32 bit, float and Lab do not
_MODES = {"1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBa", "RGBX", "CMYK", "YCbCr"}
_GREY_16 = "I;16"
MAX_PAGES = 16  # of a TIFF; more are not looked at
MIN_SIDE_PX = 320  # below this no card can be read from any useful distance

# Exif 2.32 tags
_ORIENTATION = 0x0112
_MODEL = 0x0110
_EXIF_IFD = 0x8769
_FOCAL_LENGTH = 0x920A
_FOCAL_35MM = 0xA405
_PIXEL_X, _PIXEL_Y = 0xA002, 0xA003
#: counter-clockwise quarter turns that bring a stored picture upright, by orientation tag
_QUARTER_TURNS = {1: 0, 2: 0, 3: 2, 4: 2, 5: 3, 6: 3, 7: 1, 8: 1}
#: 35 mm equivalents outside this range are taken for nonsense: some cameras write 0 or 65535
_FOCAL_35MM_RANGE = (10.0, 300.0)


def read_photo(path: Path) -> Photo:
    """Read and decode one photo file.

    Raises
    ------
    TracerError
        As `read_photo_bytes` and `decode_photo`.
    """
    return decode_photo(read_photo_bytes(path), path.name)


def printable_name(name: str) -> str:
    """A photo's name as far as it is text: it is kept in the job, and shown.

    Examples
    --------
    >>> printable_name("bench\\x1b[31m\\udcff.jpg"), printable_name("Büchse 3.jpg")
    ('bench?[31m?.jpg', 'Büchse 3.jpg')
    """
    return "".join(sign if sign.isprintable() else "?" for sign in name)


def read_photo_bytes(path: Path) -> bytes:
    """Bytes of one photo file.

    Raises
    ------
    TracerError
        ``photo-missing``, ``photo-unreadable``, ``photo-too-large``.
    """
    try:
        if path.is_dir():
            raise TracerError(
                "photo-missing", f"{path} is a folder, not a photo.", "Name the photo files in it."
            )
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe or a device may have no end
            raise TracerError(
                "photo-unreadable",
                f"{path} is not a file but a pipe or a device.",
                "Name a photo file.",
            )
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise TracerError(
            "photo-missing", f"There is no file {path}.", "Check the name and the folder."
        ) from None
    except OSError as error:
        raise TracerError(
            "photo-unreadable",
            f"{path} cannot be read: {error.strerror or error}.",
            "Check the name and the rights to the file and its folder.",
        ) from error
    if len(data) > MAX_FILE_BYTES:
        raise TracerError(
            "photo-too-large",
            f"{path} has more than the {MAX_FILE_BYTES / 1e6:.0f} MB that are read.",
            "Save it as a JPEG.",
        )
    return data


def decode_photo(data: bytes, name: str, *, shrink: int = 1) -> Photo:
    """Decode the bytes of a photo file.

    Parameters
    ----------
    data
        The whole file: JPEG, PNG, TIFF, WebP, HEIC.
    name
        Name for people.
    shrink
        1, 2, 4 or 8: how many times smaller the picture is wanted. A JPEG is decoded at that size.

    Raises
    ------
    TracerError
        ``photo-unreadable``, ``photo-broken``, ``photo-too-large``, ``photo-too-small``,
        ``photo-several``.
    """
    heic = data[4:8] == b"ftyp"
    if heic:
        _register_heic(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = _opened(data, name, HEIC_FORMATS if heic else FORMATS)
        with image:
            _refuse_size(image, name)
            _refuse_kind(image, name)
            exif, tags = _exif(image)
            orientation = exif.get(_ORIENTATION, 1)
            stored_size = image.size
            profile, dpi = image.info.get("icc_profile"), _dpi(image)
            with _damage_told(name):
                _refuse_several(image, name)
                pixels = _upright_rgb(image, shrink)
    turns = 0 if heic else _QUARTER_TURNS.get(orientation if isinstance(orientation, int) else 1, 0)
    focal_35mm, checks = _focal(tags, name)
    checks += _cropped(tags, stored_size, name)
    return Photo(
        photo_id=hashlib.sha256(data).hexdigest()[:16],
        name=name,
        pixels=pixels,
        focal_35mm=focal_35mm,
        camera_key=_camera_key(exif, tags, stored_size, focal_35mm),
        quarter_turns=turns,
        checks=checks,
        icc_profile=profile if isinstance(profile, bytes) else None,
        dpi=dpi[::-1] if dpi is not None and turns % 2 else dpi,
    )


def camera_of(data: bytes, name: str) -> str:
    """What tells one camera from another, as `Photo.camera_key`; no pixel is decoded.

    Raises
    ------
    TracerError
        ``photo-unreadable``, ``photo-too-large``.
    """
    heic = data[4:8] == b"ftyp"
    if heic:
        _register_heic(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with _opened(data, name, HEIC_FORMATS if heic else FORMATS) as image:
            exif, tags = _exif(image)
            return _camera_key(exif, tags, image.size, _focal(tags, name)[0])


def _camera_key(
    exif: Any, tags: Any, stored_size: tuple[int, int], focal_35mm: float | None
) -> str:
    key = (str(exif.get(_MODEL, "")), focal_35mm, sorted(stored_size), tags.get(_FOCAL_LENGTH))
    return hashlib.sha256(repr(key).encode()).hexdigest()[:12]


def _register_heic(name: str) -> None:
    try:
        from pillow_heif import register_heif_opener
    except ImportError:
        raise TracerError(
            "photo-unreadable",
            f"{name} is a HEIC photo and the package pillow-heif is not installed.",
            "Install pillow-heif, or save the photo as JPEG.",
        ) from None
    register_heif_opener()


def _opened(data: bytes, name: str, formats: tuple[str, ...]) -> Image.Image:
    """The picture, its head read and no pixel decoded."""
    try:
        return Image.open(BytesIO(data), formats=formats)
    except MemoryError:
        raise
    except Image.DecompressionBombError:
        raise _too_large(name, "hundreds of") from None
    except Exception:  # the readers raise many kinds on damaged heads
        raise TracerError(
            "photo-unreadable",
            f"{name} is not a picture that can be read.",
            f"Give a {KINDS} photo.",
        ) from None


@contextmanager
def _damage_told(name: str) -> Iterator[None]:
    """Turn what decoders raise on damaged files, which is anything, into one sentence."""
    try:
        yield
    except (MemoryError, TracerError):
        raise
    except Exception:
        raise TracerError(
            "photo-broken",
            f"{name} is damaged: the picture stops part of the way.",
            "Copy it from the phone again.",
        ) from None


def _refuse_size(image: Image.Image, name: str) -> None:
    megapixels = image.width * image.height / 1e6
    if megapixels > MAX_MEGAPIXELS:
        raise _too_large(name, f"{megapixels:.0f}")
    if min(image.size) < MIN_SIDE_PX:
        raise TracerError(
            "photo-too-small",
            f"{name} is only {image.width} x {image.height} pixels.",
            "Give the photo at full size, not a thumbnail or a messenger's copy.",
        )


def _refuse_kind(image: Image.Image, name: str) -> None:
    if image.mode not in _MODES and not image.mode.startswith(_GREY_16):
        colours = "Lab colours" if image.mode == "LAB" else "pixels of 32 bits"
        raise TracerError(
            "photo-unreadable",
            f"{name} stores {colours}, which are not read.",
            "Save it as a JPEG, or with 8 or 16 bits a channel in RGB.",
        )


def _refuse_several(image: Image.Image, name: str) -> None:
    """Refuse films, and a TIFF with more than one picture of more than half the first one's size.

    Smaller ones are previews, which editors write beside the picture.
    """
    count = 1
    if image.format in {"PNG", "WEBP"}:
        count = int(getattr(image, "n_frames", 1))
    elif image.format == "TIFF":
        count = _full_pages(image)
    if count > 1:
        raise TracerError(
            "photo-several",
            f"{name} holds several pictures, and it cannot be told which is the photo.",
            "Save the one that is meant as a JPEG.",
        )


def _full_pages(image: Image.Image) -> int:
    width, count = max(image.size), 1
    for page in range(1, MAX_PAGES):
        try:
            image.seek(page)
        except MemoryError:
            raise
        except Exception:  # the end, or a page of a kind that is not read, such as private data
            break
        count += max(image.size) > width / 2
    image.seek(0)
    return count


def _too_large(name: str, megapixels: str) -> TracerError:
    return TracerError(
        "photo-too-large",
        f"{name} has {megapixels} megapixels; at most {MAX_MEGAPIXELS} are read.",
        "Save it smaller.",
    )


def _exif(image: Image.Image) -> tuple[dict[int, Any], dict[int, Any]]:
    """Main and Exif tags; both empty where the block is missing or damaged."""
    try:
        exif = image.getexif()
        return dict(exif), dict(exif.get_ifd(_EXIF_IFD))
    except Exception:  # Pillow raises many kinds on damaged blocks; a photo without tags is fine
        return {}, {}


def _upright_rgb(image: Image.Image, shrink: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Pixels of a picture, which is turned upright in place."""
    wanted = max(image.size) / shrink
    if shrink > 1:  # only a JPEG's decoder can do it by itself, to the size asked for or above
        image.draft(None, (image.width // shrink, image.height // shrink))
    ImageOps.exif_transpose(image, in_place=True)
    if image.mode.startswith(_GREY_16):
        grey = (np.asarray(image) >> 8).astype(np.uint8)
        pixels = np.repeat(grey[:, :, None], 3, axis=2)
    elif {"A", "a"} & set(image.getbands()) or "transparency" in image.info:
        # what is see-through is shown on white, as every viewer does
        rgba = image.convert("RGBA")
        white = Image.new("RGBA", rgba.size, "white")
        pixels = np.asarray(Image.alpha_composite(white, rgba).convert("RGB"))
    else:
        pixels = np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
    if shrink > 1 and max(pixels.shape) > 1.5 * wanted:
        pixels = np.asarray(Image.fromarray(pixels).reduce(shrink))
    pixels.setflags(write=False)
    return pixels


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) else None


def _dpi(image: Image.Image) -> tuple[float, float] | None:
    """Stated pixels an inch along rows and columns as stored, or None."""
    stated = image.info.get("dpi")
    pair = [_number(v) for v in stated] if isinstance(stated, tuple) and len(stated) == 2 else []
    x, y = pair or (None, None)
    return (x, y) if x is not None and y is not None and x > 0 and y > 0 else None


def _focal(tags: dict[int, Any], name: str) -> tuple[float | None, tuple[Check, ...]]:
    """35 mm equivalent focal length, or None with a note."""
    focal = _number(tags.get(_FOCAL_35MM))
    low, high = _FOCAL_35MM_RANGE
    if focal is not None and low <= focal <= high:
        return focal, ()
    return None, (
        Check(
            "photo-no-focal-length",
            Severity.NOTE,
            f"{name} does not say its focal length, so the camera's height is less certain.",
            "Give the photo as the phone saved it, or measure the camera's height and type it.",
        ),
    )


def _cropped(tags: dict[int, Any], stored_size: tuple[int, int], name: str) -> tuple[Check, ...]:
    """A picture whose proportions differ from what the camera wrote has been cropped."""
    width, height = _number(tags.get(_PIXEL_X)), _number(tags.get(_PIXEL_Y))
    if not width or not height:
        return ()
    taken = sorted((width, height))
    stored = sorted(stored_size)
    if abs(taken[0] / taken[1] - stored[0] / stored[1]) < 0.01:  # rounding of resized copies
        return ()
    return (
        Check(
            "photo-cropped",
            Severity.WARN,
            f"{name} was taken at {width:.0f} x {height:.0f} pixels and is now"
            f" {stored_size[0]} x {stored_size[1]}: it has been cropped, which shifts the point"
            " below the camera and with it the outlines of tall tools.",
            "Give the photo uncropped.",
        ),
    )
