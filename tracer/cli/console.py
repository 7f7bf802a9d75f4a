"""What the commands say and where: results to stdout, everything else to stderr.

One `Console` per run. It knows whether the person wants JSON, quiet, and whether stderr is a
terminal; commands never print by themselves.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from tracer.cli.option_words import with_options
from tracer.errors import TracerError
from tracer.model.report import Check, Severity
from tracer.spelling import visible

__all__ = ["Console", "check_record", "quoted"]

EXIT_DONE, EXIT_FAILED, EXIT_USAGE, EXIT_CHECK_FAILED, EXIT_INTERRUPTED = 0, 1, 2, 3, 130
_MARKS = {Severity.NOTE: "note", Severity.WARN: "warning", Severity.FAIL: "FAILED"}

#: findings of one kind that are told in full
_IN_FULL = 3


def quoted(text: str) -> str:
    """A word as it may be typed in a shell again."""
    return f'"{text}"' if re.search(r"[^\w./\\:-]", text) else text


def check_record(check: Check) -> dict[str, Any]:
    """A check as a JSON object."""
    return {
        "slug": check.slug,
        "severity": check.severity.value,
        "sentence": check.sentence,
        "remedy": with_options(check.slug, check.remedy),
        "subject_id": check.subject_id,
        "value": check.value,
        "limit": check.limit,
        "unit": check.unit,
        "where_mm": check.where_mm,
    }


def _more(alike: Sequence[Check]) -> str:
    """One line for further findings of a kind, with what they are about."""
    about = list(dict.fromkeys(c.subject_id for c in alike if c.subject_id))
    named = f", about {', '.join(about)}" if about else ""
    return f"{len(alike)} more like these{named}. --json tells each in full."


@dataclass
class Console:
    """Where a run's words go; also receives the progress of workflows."""

    as_json: bool = False
    quiet: bool = False
    out: TextIO = field(default_factory=lambda: sys.stdout)
    err: TextIO = field(default_factory=lambda: sys.stderr)
    _step: str = ""
    _since: float = 0.0
    _shown: str = ""

    @property
    def lively(self) -> bool:
        """True when a line on stderr may be drawn over."""
        return (
            not self.quiet
            and self.err.isatty()
            and os.environ.get("TERM") != "dumb"
            and "NO_COLOR" not in os.environ
        )

    # -- progress -----------------------------------------------------------------------------
    def step(self, name: str) -> None:
        """A step of the work begins."""
        self._end_step()
        self._step, self._since = name, time.perf_counter()
        if not self.quiet:
            if self.lively:
                self._draw(f"{name} ...")
            else:
                self._tell(f"{name} ...")

    def fraction(self, done: float) -> None:
        """The step is done to this part."""
        if self.lively and self._step:
            self._draw(f"{self._step} ... {100 * min(max(done, 0.0), 1.0):.0f} %")

    def status(self, text: str) -> None:
        """A line about work whose steps run side by side, drawn over the one before."""
        if self.lively:
            self._step = self._step or text
            self._draw(text)

    def note_line(self, text: str) -> None:
        """A line for people that stays, in the middle of drawn progress; to stderr."""
        if self._shown:
            print(file=self.err)
            self._shown = ""
        print(visible(text), file=self.err, flush=True)

    def finish(self) -> None:
        """The last step is over."""
        self._end_step()

    def _end_step(self) -> None:
        if self._step and self.lively:
            self._draw(f"{self._step} ({time.perf_counter() - self._since:.1f} s)")
            self._tell("")
        self._step = self._shown = ""

    def _draw(self, text: str) -> None:
        if text != self._shown:
            padding = " " * max(len(self._shown) - len(text), 0)
            self._put(f"\r{visible(text)}{padding}", end="")
            self._shown = text

    # -- words --------------------------------------------------------------------------------
    def say(self, text: str) -> None:
        """A sentence for people, to stderr."""
        if not self.quiet:
            self._end_step()
            self._tell(text)

    def checks(self, checks: Iterable[Check]) -> None:
        """Findings, the failed ones last so that they stay in sight; notes give way to --quiet.

        Of many of one kind the first stand for the rest, which are counted and named, so that a
        rare finding is not lost among them. ``--json`` has all of them in full.
        """
        self._end_step()
        order = (Severity.NOTE, Severity.WARN, Severity.FAIL)
        kinds: dict[tuple[int, str], list[Check]] = {}
        for check in checks:
            if not self.quiet or check.severity is Severity.FAIL:
                kinds.setdefault((order.index(check.severity), check.slug), []).append(check)
        for (rank, slug), alike in sorted(kinds.items(), key=lambda item: item[0][0]):
            mark = _MARKS[order[rank]]
            shown = _IN_FULL if len(alike) > _IN_FULL + 1 else len(alike)
            for check in alike[:shown]:
                text = f"{check.sentence} {with_options(slug, check.remedy)}".strip()
                self._tell(f"{mark}: {text} [{slug}]")
            if rest := alike[shown:]:
                self._tell(f"{mark}: {_more(rest)} [{slug}]")

    def unmet(self, accepted: Iterable[str], checks: Iterable[Check]) -> None:
        """Tell accepted names that no finding has: most often mistyped."""
        there = {check.slug for check in checks}
        for slug in accepted:
            if slug not in there:
                self.say(f"note: --accept {slug} met no check of that name.")

    def result(self, record: dict[str, Any], text: str) -> None:
        """The result: one JSON object with --json, else text for people.

        Raises
        ------
        TracerError
            ``output-unwritable`` where it cannot be printed. What was written stays written.
        """
        self._end_step()
        if self.as_json:
            self._print(json.dumps(record, indent=1, sort_keys=True, default=str))
        elif text and not self.quiet:
            self._print(text)

    def error(self, error: TracerError, written: Sequence[str] = ()) -> None:
        """One line for a person; with --json also an object on stdout.

        ``written`` is what was put in place before: an error after that must not look as if
        nothing had been done.
        """
        self._end_step()
        remedy = with_options(error.slug, error.remedy)
        self._tell(f"error: {f'{error.sentence} {remedy}'.strip()} [{error.slug}]")
        if written:
            self._tell(f"Before that was written: {', '.join(written)}.")
        if self.as_json and error.slug != "output-unwritable":
            record = {"slug": error.slug, "sentence": error.sentence, "remedy": remedy}
            body: dict[str, Any] = {"error": record} | ({"written": [*written]} if written else {})
            self._print(json.dumps(body, indent=1, sort_keys=True))

    def interrupted(self, what: str, asked: str = "interrupted") -> None:
        """The last words of a run that was stopped; ``what`` says what became of its work."""
        self._end_step()
        self._tell(f"{asked}: {what[:1].lower()}{what[1:].rstrip('.')}")

    def mute(self) -> None:
        """Nobody listens any more: say nothing, and let the program end without a complaint."""
        nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - until the end
        for stream in (self.out, self.err, sys.stdout):
            with contextlib.suppress(OSError, ValueError, AttributeError):
                stream.flush()
                continue
            # what is left in a broken stream's buffer would be tried again at the end
            with contextlib.suppress(OSError, ValueError, AttributeError):
                os.dup2(nowhere.fileno(), stream.fileno())

    def _tell(self, text: str) -> None:
        """To stderr. Work goes on though nobody reads: its result is what was asked for."""
        self._put(visible(text))

    def _put(self, text: str, *, end: str = "\n") -> None:
        try:
            print(text, end=end, file=self.err, flush=True)
        except (OSError, ValueError):
            self.mute()

    def _print(self, text: str) -> None:
        try:
            print(visible(text), file=self.out, flush=True)
        except BrokenPipeError:  # the reader has seen enough, as `head` does
            self.mute()
        except OSError as error:
            self.mute()
            raise TracerError(
                "output-unwritable",
                f"The result could not be printed: {error.strerror or error}.",
                "Make room where it is sent to, or print it to the terminal.",
            ) from error
