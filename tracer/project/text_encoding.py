"""Text files whose encoding nobody states: Unicode by its marks, else what the letters allow.

Order: byte order mark (Unicode standard, section 23.8), UTF-16 by its zero bytes, strict UTF-8,
then the 8-bit and multi-byte encodings that charset-normalizer finds fitting, of which those are
dropped whose text no person would have typed. What is left is taken where it is one text;
otherwise the person is asked.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from dataclasses import dataclass
from itertools import pairwise

from tracer.errors import TracerError, UsageError
from tracer.ranges import shown

__all__ = ["Decoded", "decoded", "encoded", "known_encoding"]

UNICODE = ("utf-8", "utf-8-sig", "utf-16-le", "utf-16-be")
#: tried for text that is not Unicode; of those that give the same text the first is named
CANDIDATES = (
    "cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257", "cp850", "cp852", "cp866", "cp437",
    "mac_roman", "iso8859_2", "iso8859_15", "koi8_r", "cp932", "euc_jp", "gb18030", "big5", "cp949",
)  # fmt: skip
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
#: charset-normalizer's measure of disorder, 0 to 1: this much worse than the best is still fitting
_DISORDER = 0.085
#: its measure of how much the text is like a language: this much apart is the same
_LIKENESS = 0.03
_SIGNS = set("ー°±²³½¼¾×µØø€£§–—…•·’‘“”„«»®™º¿¡")
#: for addresses and program texts; no list is saved in one
_NO_LISTS = {"idna", "punycode", "unicode-escape", "raw-unicode-escape"}
_WORD = re.compile(r"[^\W\d_]+")


@dataclass(frozen=True)
class Decoded:
    """Text, the encoding it was in, and the first line in which that made a difference."""

    text: str
    encoding: str
    line: int = 0
    sample: str = ""

    @property
    def guessed(self) -> bool:
        """True where the encoding is not Unicode, and so was told from the letters or by hand."""
        return self.encoding not in (*UNICODE, "ascii")


def known_encoding(name: str) -> str:
    """The encoding that a person named, as Python calls it.

    Raises
    ------
    UsageError
        ``encoding-unknown``.
    """
    try:
        known = codecs.lookup(name).name
        "".encode(known)  # Python's table holds packers and ciphers, too, and one that refuses all
        if known in _NO_LISTS:
            raise LookupError
    except (LookupError, ValueError):
        raise UsageError(
            "encoding-unknown",
            f"{shown(name)} is not the name of an encoding.",
            "Usual ones are utf-8, utf-16, cp1252 (western Windows), cp1250, cp850, mac_roman.",
        ) from None
    return known


def decoded(data: bytes, name: str, encoding: str | None = None) -> Decoded:
    """Text of a file.

    Parameters
    ----------
    data
        The file's bytes.
    name
        File name, for messages.
    encoding
        What the person says it is; a byte order mark goes before it.

    Raises
    ------
    TracerError
        ``list-encoding-unsure`` where two fit, ``tool-list-unreadable`` with line and byte.
    """
    for mark, known in _BOMS:
        if data.startswith(mark):
            return Decoded(_strict(data[len(mark) :], known.removesuffix("-sig"), name), known)
    if encoding is not None:
        return _with_sample(data, encoding, name)
    if b"\0" in data:
        return Decoded(_strict(data, _utf16_kind(data, name), name), _utf16_kind(data, name))
    try:
        # a text of ASCII alone does not tell what its program would make of other letters
        return Decoded(data.decode("utf-8"), "ascii" if data.isascii() else "utf-8")
    except UnicodeDecodeError as error:
        return _fitting(data, name, error)


def encoded(text: str, encoding: str) -> bytes:
    """Text in the encoding it came in; what came in no Unicode is written as UTF-8 with a mark.

    Examples
    --------
    >>> encoded("a", "cp1252"), encoded("ä", "utf-8"), encoded("ä", "cp1252")
    (b'a', b'\\xc3\\xa4', b'\\xef\\xbb\\xbf\\xc3\\xa4')
    """
    if encoding == "utf-16-le":
        return codecs.BOM_UTF16_LE + text.encode(encoding)
    if encoding == "utf-16-be":
        return codecs.BOM_UTF16_BE + text.encode(encoding)
    if encoding in UNICODE:
        return text.encode(encoding)
    # spreadsheets take a file without the mark for a local code page
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


def _strict(data: bytes, encoding: str, name: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise _undecodable(data, error, encoding, name) from None


def _undecodable(data: bytes, error: UnicodeDecodeError, encoding: str, name: str) -> TracerError:
    lines = data[: error.start].decode(encoding, errors="replace").count("\n")
    return TracerError(
        "tool-list-unreadable",
        f"{name}, line {lines + 1}: byte {error.start + 1} of the file"
        f" (0x{data[error.start]:02x}) is no letter in {encoding}.",
        "Save the list as CSV UTF-8, or name its encoding.",
    )


def _utf16_kind(data: bytes, name: str) -> str:
    """Which half of each pair of bytes is mostly zero, in a text that is mostly Latin."""
    even, odd = data[0::2].count(0), data[1::2].count(0)
    if len(data) % 2 == 0 and max(even, odd) > 0.3 * len(data) / 2 and min(even, odd) == 0:
        return "utf-16-be" if even > odd else "utf-16-le"
    raise TracerError(
        "tool-list-unreadable",
        f"{name} is not a text file.",
        "Save the list from the spreadsheet as CSV.",
    )


def _with_sample(data: bytes, encoding: str, name: str) -> Decoded:
    text = _strict(data, encoding, name)
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.isascii():
            words = [w for w in re.split(r"[,;\t\"]", line) if not w.isascii()]
            return Decoded(text, encoding, number, words[0].strip())
    return Decoded(text, encoding)


def _fitting(data: bytes, name: str, error: UnicodeDecodeError) -> Decoded:
    from charset_normalizer import from_bytes  # only few lists need it

    found = list(from_bytes(data, cp_isolation=list(CANDIDATES)))
    least = min((m.chaos for m in found), default=0.0)
    likeness: dict[str, float] = {}
    names: dict[str, str] = {}
    for match in found:
        text = str(match)
        if match.chaos <= least + _DISORDER and _typed_by_a_person(text):
            likeness[text] = max(likeness.get(text, 0.0), match.coherence)
            same = {match.encoding, *match.could_be_from_charset}
            names.setdefault(text, next(c for c in CANDIDATES if c in same))
    if not likeness:
        raise _undecodable(data, error, "utf-8", name)
    best = max(likeness.values())
    western = next((t for t, n in names.items() if n == "cp1252"), None)
    if western is not None and likeness[western] >= best - _LIKENESS:
        return _with_sample(data, "cp1252", name)
    if len(names) == 1:
        return _with_sample(data, next(iter(names.values())), name)
    raise _unsure(data, list(names.values()), name)


def _unsure(data: bytes, encodings: list[str], name: str) -> TracerError:
    first, second = (_with_sample(data, e, name) for e in encodings[:2])
    return TracerError(
        "list-encoding-unsure",
        f"The letters of {name} fit more than one encoding: line {first.line} reads"
        f" {shown(first.sample)} in {first.encoding} and {shown(second.sample)} in"
        f" {second.encoding}.",
        f"Say which when tracing: {first.encoding} (or"
        f" {', '.join(encodings[1:5])}), in a batch in the column encoding; or save the list as CSV"
        " UTF-8.",
    )


def _typed_by_a_person(text: str) -> bool:
    """Whether the letters beyond ASCII stand as people write them in names of tools."""
    beyond = {c for c in text if ord(c) > 127}
    if any(not (unicodedata.category(c) in ("Lu", "Ll", "Lo") or c in _SIGNS) for c in beyond):
        return False
    if re.search(r"\w[^\w\s\x00-\x7f’·–—]\w", text):  # a sign within a word
        return False
    return all(_likely_word(word) for word in _WORD.findall(text) if not word.isascii())


def _likely_word(word: str) -> bool:
    scripts = {unicodedata.name(c, "?").split()[0] for c in word}
    if len(scripts - {"CJK", "HIRAGANA", "KATAKANA", "KATAKANA-HIRAGANA", "HANGUL"}) > 1:
        return False
    if "LATIN" in scripts:
        if len(scripts) > 1:
            return False
        if len(word) > 3 and sum(ord(c) > 127 for c in word) > 0.6 * len(word):
            return False
    # a capital after a small letter, a final letter that does not end the word
    return not re.search(r"ς\w", word) and not any(
        a.islower() and b.isupper() for a, b in pairwise(word)
    )
