"""Damage to any file: bytes, text encodings, and what lies at its place."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path

__all__ = ["Damage", "damaged_bytes", "damaged_place", "hostile_text"]

#: damaged content and what was done
Damage = tuple[bytes, str]


def _truncated(data: bytes, rng: random.Random) -> Damage:
    at = rng.randrange(len(data))
    return data[:at], f"cut off after {at} of {len(data)} bytes"


def _flipped(data: bytes, rng: random.Random) -> Damage:
    out = bytearray(data)
    times = rng.choice([1, 1, 1, 2, 8, 64])
    for _ in range(times):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out), f"{times} bits flipped"


def _overwritten(data: bytes, rng: random.Random) -> Damage:
    at, size = rng.randrange(len(data)), rng.choice([1, 2, 4, 16, 256, 4096])
    fill = rng.choice([b"\0", b"\xff", b"9", b"[", b"\n", b"-"])
    return data[:at] + fill * size + data[at + size :], f"{size} bytes at {at} made {fill!r}"


def _moved(data: bytes, rng: random.Random) -> Damage:
    a, b = sorted(rng.randrange(len(data)) for _ in range(2))
    size = min(rng.choice([1, 8, 64, 1024]), len(data) - b, b - a)
    out = data[:a] + data[b : b + size] + data[a + size : b] + data[a : a + size] + data[b + size :]
    return out, f"two pieces of {size} bytes exchanged"


def _inserted(data: bytes, rng: random.Random) -> Damage:
    at = rng.randrange(len(data) + 1)
    more = rng.randbytes(rng.choice([1, 3, 50, 5000]))
    return data[:at] + more + data[at:], f"{len(more)} random bytes put in at {at}"


def _repeated(data: bytes, rng: random.Random) -> Damage:
    times = rng.choice([2, 2, 3, 50])
    return (data * times)[:20_000_000], f"the whole {times} times"


def _piece_repeated(data: bytes, rng: random.Random) -> Damage:
    at, size = rng.randrange(len(data)), rng.choice([1, 5, 40, 400])
    times = rng.choice([2, 100, 10_000])
    return (
        data[:at] + (data[at : at + size] * times)[:5_000_000] + data[at:],
        f"{size} bytes at {at} repeated {times} times",
    )


def _replaced(data: bytes, rng: random.Random) -> Damage:
    choices: list[Damage] = [
        (b"", "empty"),
        (b"\n", "an empty line"),
        (b"\0" * len(data), "zeros"),
        (rng.randbytes(len(data)), "noise"),
        (b"\xef\xbb\xbf", "a byte order mark alone"),
        (b"{}", "{}"),
        (b"[]", "[]"),
        (b"null", "null"),
        (b"[" * 100_000, "100 000 brackets"),
        (b'{"a":' * 50_000, "50 000 opened objects"),
        (b"a" * 3_000_000, "a line of 3 MB"),
        (b"9" * 1_000_000, "a number of a million digits"),
        (b"<html><body>404 not found</body></html>", "a web page"),
        (b"PK\x03\x04" + rng.randbytes(500), "a zip"),
        (b"%PDF-1.7\n" + rng.randbytes(500), "a PDF"),
        (b"\x89PNG\r\n\x1a\n" + rng.randbytes(500), "a PNG's head"),
        (b"\x1f\x8b" + rng.randbytes(500), "a gzip's head"),
        (b"version https://git-lfs.github.com/spec/v1\noid sha256:0\nsize 1\n", "a pointer"),
    ]
    return rng.choice(choices)


def _encoded(data: bytes, rng: random.Random) -> Damage:
    text = data.decode("utf-8", errors="replace")
    name = rng.choice(
        [
            "utf-16",
            "utf-16-le",
            "utf-16-be",
            "utf-32",
            "utf-8-sig",
            "cp1252",
            "cp437",
            "cp037",
            "utf-7",
            "shift_jis",
            "koi8-r",
            "big5",
        ]
    )
    return text.encode(name, errors="replace"), f"as {name}"


def _lines(data: bytes, rng: random.Random) -> Damage:
    lines = data.split(b"\n")
    i, k = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(6):
        case 0:
            del lines[i]
            what = f"line {i + 1} gone"
        case 1:
            lines.insert(i, lines[k])
            what = f"line {k + 1} again at {i + 1}"
        case 2:
            lines[i], lines[k] = lines[k], lines[i]
            what = f"lines {i + 1} and {k + 1} exchanged"
        case 3:
            rng.shuffle(lines)
            what = "lines shuffled"
        case 4:
            return data.replace(b"\n", b"\r"), "line ends of old"
        case _:
            lines[i] = lines[i] * 500
            what = f"line {i + 1} five hundred times as long"
    return b"\n".join(lines), what


_WAYS: tuple[Callable[[bytes, random.Random], Damage], ...] = (
    _truncated, _truncated, _flipped, _flipped, _overwritten, _moved, _inserted, _repeated,
    _piece_repeated, _replaced, _encoded, _lines, _lines,
)  # fmt: skip


def damaged_bytes(data: bytes, rng: random.Random) -> Damage:
    """Content spoiled without knowing what it is."""
    return rng.choice(_WAYS)(data or b"\n", rng)


def damaged_place(path: Path, rng: random.Random) -> str:
    """Put something else where a file is expected; gives what."""
    path.unlink(missing_ok=True)
    match rng.randrange(7):
        case 0:
            path.mkdir()
            return "a folder in its place"
        case 1:
            path.symlink_to(path.name)
            return "a link to itself"
        case 2:
            path.symlink_to("nowhere")
            return "a link to nowhere"
        case 3:
            os.mkfifo(path)
            return "a pipe that nobody writes to"
        case 4:
            path.symlink_to("/dev/zero")
            return "a link to an endless file"
        case 5:
            path.symlink_to("/dev/null")
            return "a link to nothing"
        case _:
            return "gone"


def hostile_text(rng: random.Random) -> str:
    """A value that a person could type or paste, wrong in some way."""
    return rng.choice(HOSTILE_TEXTS)


HOSTILE_TEXTS = (
    "", " ", "nan", "NaN", "inf", "-inf", "Infinity", "1e308", "1e999", "-1e308", "1e-320", "-0",
    "-1", "0", "0.0001", "1", "7", "100000", "999999999", "9" * 30, "9" * 400, "9" * 5000, "0x10",
    "1_000", "1,5", "1.5.5", "1 1/2in", "1/0", "1/3", "5furlong", "12mm", "3ft", "٣", "１２", "½",
    "None", "null", "true", "yes", "{}", "[1]", "'", '"', ";", ",", "\t", "=1+1", "@SUM(A1)",
    "../../evil", "/etc/passwd", "CON", "a" * 300, "a" * 100_000, "Müller Ø 3", "🔧", "\u202egnp",
    "\x1b[31mred", "a\nb", "a\r\nb", "\u2028", "\ufeff", "é" * 50, "%s%n", "<b>x</b>", "\\", "\x7f",
    "T01", "T99", "mid", "views", "wall", "drawer",
)  # fmt: skip
