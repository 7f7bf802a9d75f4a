"""Damage that knows picture files: formats, heads, tags and sizes."""

from __future__ import annotations

import io
import random
import struct
import zlib
from functools import cache
from typing import Any

from PIL import Image, TiffImagePlugin

from tests.campaigns.damage import Damage, damaged_bytes

__all__ = ["FORMATS", "damaged_picture", "picture"]

FORMATS = ("jpeg", "png", "tiff", "webp", "heic")
SIDES = (420, 330)


@cache
def picture(kind: str, source: bytes | None = None) -> bytes:
    """A small sound photo in a format, with Exif."""
    image = Image.open(io.BytesIO(source)) if source else _noise()
    return _saved(image.convert("RGB").resize(SIDES), kind)


def _noise() -> Image.Image:
    return Image.effect_noise(SIDES, 40.0).convert("RGB")


def _saved(image: Image.Image, kind: str, **options: Any) -> bytes:
    if kind == "heic":
        from pillow_heif import register_heif_opener

        register_heif_opener()
    exif = Image.Exif()
    exif[0x0110] = "pocket camera"
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0xA405] = 26
    out = io.BytesIO()
    image.save(out, "HEIF" if kind == "heic" else kind.upper(), exif=exif, **options)
    return out.getvalue()


def damaged_picture(data: bytes, rng: random.Random) -> Damage:
    """A photo file spoiled, or something that is none under its name."""
    kind = rng.choice(FORMATS)
    sound = picture(kind)
    way = rng.random()
    if way < 0.45:
        out, what = damaged_bytes(sound, rng)
        return out, f"{kind}: {what}"
    if way < 0.6:
        # the head is where sizes, counts and offsets stand
        out_ = bytearray(sound)
        for _ in range(rng.choice([1, 2, 6])):
            out_[rng.randrange(min(len(out_), 400))] = rng.choice([0, 1, 0x7F, 0x80, 0xFF])
        return bytes(out_), f"{kind}: bytes of the head"
    if way < 0.72:
        return _odd_kind(rng)
    if way < 0.84:
        return _odd_tags(rng)
    return _impostor(rng, data)


def _odd_kind(rng: random.Random) -> Damage:
    mode = rng.choice(
        ["1", "L", "LA", "P", "RGBA", "CMYK", "YCbCr", "I;16", "I", "F", "LAB", "HSV"]
    )
    size = rng.choice([SIDES, (1, 1), (319, 900), (320, 320), (20_000, 330), (900, 340)])
    kind = rng.choice(["tiff", "png", "jpeg", "webp"])
    try:
        image = _noise().resize(size)
        image = (
            image.convert("L").convert(mode) if mode in ("I", "F", "I;16") else image.convert(mode)
        )
        frames = {"save_all": True, "append_images": [image] * 3} if rng.random() < 0.3 else {}
        out = io.BytesIO()
        image.save(out, kind.upper(), **frames)
        return out.getvalue(), f"{kind}, {mode}, {size}, {'several' if frames else 'one'}"
    except (OSError, ValueError, KeyError, RuntimeError):  # a kind that cannot hold it
        return _saved(_noise(), "png"), "png with Exif"


def _odd_tags(rng: random.Random) -> Damage:
    exif = Image.Exif()
    value = rng.choice([0, 1, 9, 255, 65535, -1, "x", "9" * 5000, b"\xff" * 70, (1, 2, 3), 1e38])
    tag = rng.choice(
        [0x0112, 0x0110, 0x010F, 0xA405, 0x920A, 0xA002, 0xA003, 0x8769, 0x0100, 0x8825]
    )
    try:
        if tag in (0xA405, 0x920A, 0xA002, 0xA003):
            exif.get_ifd(0x8769)[tag] = value
        else:
            exif[tag] = value
        out = io.BytesIO()
        if rng.random() < 0.5:
            _noise().save(out, "JPEG", exif=exif.tobytes() + rng.randbytes(rng.choice([0, 0, 40])))
        else:
            info = TiffImagePlugin.ImageFileDirectory_v2()
            info[rng.choice([256, 257, 258, 259, 273, 277, 279, 282, 330])] = rng.choice(
                [0, 1, 65535, 4_000_000_000]
            )
            _noise().save(out, "TIFF", tiffinfo=info)
        return out.getvalue(), f"tag {tag:#x} = {str(value)[:30]}"
    except Exception:  # what the library refuses to write is no case
        return _saved(_noise(), "jpeg"), "jpeg with Exif"


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def _impostor(rng: random.Random, data: bytes) -> Damage:
    def other(kind: str) -> bytes:
        out = io.BytesIO()
        _noise().save(out, kind)
        return out.getvalue()

    match rng.randrange(11):
        case 0:
            kind = rng.choice(["GIF", "BMP", "PPM", "TGA", "ICO", "PCX", "ICNS", "SGI", "PDF",
            "EPS",
                               "DDS", "JPEG2000"])  # fmt: skip
            return other(kind), f"a {kind} picture"
        case 1:
            w, h = rng.choice(
                [(60_000, 60_000), (2**31 - 1, 1), (0, 0), (12_000, 12_000), (1, 2**30)]
            )
            head = struct.pack(">IIBBBBB", w, h, 8, 2, 0, 0, 0)
            body = _chunk(b"IHDR", head) + _chunk(b"IDAT", zlib.compress(b"\0" * 5_000_000))
            return b"\x89PNG\r\n\x1a\n" + body + _chunk(b"IEND", b""), f"a PNG of {w} x {h}"
        case 2:
            text = _chunk(b"zTXt", b"a\0\0" + zlib.compress(b"\0" * 90_000_000))
            sound = picture("png")
            return sound[:33] + text + sound[33:], "a PNG with 90 MB of text"
        case 3:
            return b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 500 500\n(x) run\n", "PostScript"
        case 4:
            return b"P6 500 500 255\n" + b"\x40" * 750_000, "a bare pixel map"
        case 5:
            return b"\0\0\0\x18ftypheic" + rng.randbytes(3000), "a HEIC head and noise"
        case 6:
            size = rng.choice([0, 1, 2**32 - 1])
            return struct.pack(">I", size) + b"ftypheic" + picture("heic")[12:], "a HEIC box's size"
        case 7:
            box = rng.choice([b"meta", b"iloc", b"iinf", b"hvcC", b"ispe", b"pitm", b"mdat"])
            sound = picture("heic")
            at = sound.find(box)
            out = bytearray(sound)
            for k in range(rng.choice([1, 4, 12])):
                out[min(at + 4 + k + rng.randrange(20), len(out) - 1)] = rng.randrange(256)
            return bytes(out), f"a HEIC's {box.decode()} box"
        case 8:
            return b"RIFF\xff\xff\xff\xffWEBPVP8X" + rng.randbytes(300), "a WebP head and noise"
        case 9:
            at = data.rfind(b"\xff\xda")
            return data[: at + rng.randrange(2, 5000)], "a JPEG without most of its picture"
        case _:
            return data[: data.find(b"\xff\xc0") + 5] + b"\xff\xff\xff\xff" + data[-400_000:], (
                "a JPEG of 65535 x 65535"
            )
