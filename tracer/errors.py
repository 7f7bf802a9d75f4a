"""The one kind of error that a maker is meant to read.

Every failure that a maker can cause or mend is a `TracerError`. Its *slug* is a stable short
name with an entry in ``docs/messages.md``; its sentence says what is wrong, where, and what to
do. The command line turns it into one line and an exit code, in one place. Any other exception
is a defect of ours; its traceback goes into a report (`tracer.cli.defect`).
"""

from __future__ import annotations

__all__ = ["TracerError", "UsageError"]


class TracerError(Exception):
    """A failure with a sentence for the maker.

    Parameters
    ----------
    slug
        Stable name, lower case with hyphens, documented in ``docs/messages.md``.
    sentence
        What is wrong and where.
    remedy
        What to do about it; may be empty where the sentence says it already.
    """

    exit_code = 1

    def __init__(self, slug: str, sentence: str, remedy: str = "") -> None:
        super().__init__(sentence)
        self.slug = slug
        self.sentence = sentence
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.sentence} {self.remedy}".strip()


class UsageError(TracerError):
    """The command was called in a way that cannot work (exit code 2)."""

    exit_code = 2
