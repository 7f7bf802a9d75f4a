"""What is printed first is what stops a maker."""

from __future__ import annotations

from pathlib import Path

from tracer.cli.trace_summary import look_first
from tracer.model.report import Check, Severity


def doubtful(name: str, value: float) -> Check:
    return Check("outline-doubtful", Severity.WARN, "", subject_id=name, value=value)


def test_the_worst_are_named_first_and_what_is_missing_before_them() -> None:
    checks = [doubtful(f"T{k:02d}", 0.4 + k / 100) for k in range(1, 8)]
    checks += [Check("something-left-out", Severity.WARN, "", where_mm=(1.0, 2.0))]
    checks += [doubtful("T02", 0.9)]  # two photos tell of one tool: the graver counts
    text = look_first(checks, Path("bench.job"))
    assert text == (
        f"Look at these first, shown in {Path('bench.job/pictures')}: 1 place where something was "
        "left out, T02 (90%), T07 (47%), T06 (46%), T05 (45%), T04 (44%), 2 more\n"
    )


def test_nothing_is_said_where_all_is_well() -> None:
    assert look_first([Check("edge-faint", Severity.NOTE, "")], Path("bench.job")) == ""
