"""Sentences that speak of the program's insides instead of the maker's things."""

from __future__ import annotations

import re

__all__ = ["programmers_words"]

#: what no maker should have to read; what stands in quotes or is a path was typed by the person
_PATTERNS = [
    r"\b[A-Z][a-z]+(?:[A-Z][a-z0-9]+)+\b",  # class names
    r"\b[A-Z]\w+(?:Error|Warning|Exception)\b",
    r"\bTraceback\b|\bNoneType\b|\bnot None\b|\bis None\b",
    r"\b(?:str|dict|tuple|ndarray|iterable|subscriptable|unhashable|kwargs?|dtype|errno|enum)\b",
    r"\b(?:int|float|bool)\b|\bbytes(?:-like| object)",
    r"(?i:\b(?:shapely|numpy|pydantic|ezdxf|opencv|cv2|geos|libxml|expat|tomllib)\b)",
    r"(?i:valid (?:string|integer|number|boolean|list|dictionary|tuple|set|date))",
    r"(?i:input should|unable to parse|field required|extra inputs|unexpected keyword)",
    r"(?i:positional argument|out of range for|index out of|could not convert|invalid literal)",
    r"(?i:cannot be interpreted|not supported between|has no attribute|object is not|at 0x)",
    r"(?i:\bline \d+ column \d+ \(char|\bexpecting\b|codec can|maximum recursion|recursion depth)",
    r"(?i:byte 0x|\[errno|must be real|not enough values|too many values|unpack)",
    r"(?i:ill-formed|not well-formed|mismatched tag|undefined entity|no element found)",
    r"\b[a-z_]{2,}\.\d+(?:\.|\b)",  # a path into a data structure: lays.0.photos
    r"(?i:(?<!\()(?:\bnan\b|\binf\b))",  # "(NaN)" is a tool that somebody named so
]
_WORDS = re.compile("|".join(f"(?:{p})" for p in _PATTERNS))
_POINTER = re.compile(r"(?<!\w)/(?:[a-z_]+/)+\d+(?:/\w+)*")  # into a data structure, too
# an apostrophe within a word opens nothing: "the printer's settings: 'nan' was read"
_QUOTED = re.compile(r"(?<!\w)'[^'\n]*'|\"[^\"\n]*\"|‘[^’\n]*’|“[^”\n]*”|`[^`\n]*`")
_PATH = re.compile(
    r"(?:[\w.-]*/)+[\w.-]*[a-z][\w.-]*|\S+\.(?:job|csv|toml|json|jpe?g|png|dxf|svg)\b"
)
#: a row of a list is called by the name that stands in it
_NAMED = re.compile(
    r"(?<=^warning: )Row \d+ of \S+ \([^)]*\)|(?<=^error: )Row \d+ of \S+ \([^)]*\)"
)
_ROW = re.compile(r"^T\d{2,} +\S.*?  +(?=\d)")  # of the table: its name is what a list says
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u2028\u2029]")
LONGEST = 700  # of one sentence with its remedy: a screen is 80 by 24


def programmers_words(line: str) -> str | None:
    """What is wrong with a line that a person reads; None where it will do.

    >>> programmers_words("error: bench.job cannot be read: KeyError at 'lays'. [job-damaged]")
    'KeyError'
    >>> programmers_words("error: job.json cannot be read: lays.0.photos: field required.")
    'lays.0.'
    >>> programmers_words("error: 'NoneType' is not a length. [length-unreadable]") is None
    True
    >>> programmers_words("T02  inf             81.3 mm x 51.7 mm  height 30 mm (typed)") is None
    True
    >>> programmers_words("error: The printer's settings: 'nan' was read.") is None
    True
    """
    if found := _CONTROL.search(line):
        return f"control character {found[0]!r}"
    if len(line) > LONGEST:
        return f"a line of {len(line)} characters"
    bare = _QUOTED.sub("…", _ROW.sub("", _NAMED.sub("…", line)))
    found = _POINTER.search(bare) or _WORDS.search(_PATH.sub("…", bare))
    return found[0] if found else None
