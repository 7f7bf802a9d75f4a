"""What `tracer trace` prints for people: what to look at first, then the tools."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tracer.cli.console import quoted
from tracer.lengths import format_length
from tracer.model.outline import Outline
from tracer.model.report import Check

__all__ = ["look_first", "summary"]

#: tools that are named one by one as wanting a look
_NAMED = 5


def look_first(checks: Sequence[Check], path: Path) -> str:
    """What wants a look, the worst first, and where it is shown; nothing where all is well."""
    gone = sum(c.slug == "something-left-out" for c in checks)
    worst: dict[str, float] = {}
    for check in checks:
        if check.slug == "outline-doubtful" and check.subject_id:
            worst[check.subject_id] = max(worst.get(check.subject_id, 0.0), check.value or 0.0)
    order = sorted(worst, key=lambda name: -worst[name])
    named = [f"{name} ({worst[name]:.0%})" for name in order[:_NAMED]]
    named += [f"{len(order) - _NAMED} more"] if len(order) > _NAMED else []
    if gone:
        places = "1 place" if gone == 1 else f"{gone} places"
        named.insert(0, f"{places} where something was left out")
    if not named:
        return ""
    return f"Look at these first, shown in {path / 'pictures'}: {', '.join(named)}\n"


def summary(path: Path, outlines: Sequence[Outline], *, inch: bool) -> str:
    """A line for each tool, where they were written, and what is still to be typed."""
    if not outlines:
        return f"No tools. Written to {path}"
    width = max(len(o.name) for o in outlines)
    lines = [
        f"{o.outline_id}  {o.name:<{width}}  "
        f"{format_length(_long_side(o), inch=inch):>9} x {format_length(_short_side(o), inch=inch)}"
        f"  height {_height(o, inch)}  +/- {format_length(o.sigma_mm, inch=inch, digits=2)}"
        for o in outlines
    ]
    unknown = sum(o.height_source.value == "assumed" for o in outlines)
    lines.append(f"{len(outlines)} outlines written to {path}")
    if unknown:
        lines.append(
            f"Type the missing heights into {path / 'tools.csv'} and run:"
            f" tracer trace --job {quoted(str(path.with_suffix('')))}"
        )
    return "\n".join(lines)


def _height(outline: Outline, inch: bool) -> str:
    if outline.height_source.value == "assumed":
        return "not known"
    shown = format_length(outline.height_mm, inch=inch, digits=0)
    return f"{shown} ({outline.height_source.value})"


def _sides(outline: Outline) -> tuple[float, float]:
    import numpy as np  # not before it is needed: the commands are to start at once
    import shapely

    box = shapely.get_coordinates(outline.region.minimum_rotated_rectangle)
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def _long_side(outline: Outline) -> float:
    return _sides(outline)[0]


def _short_side(outline: Outline) -> float:
    return _sides(outline)[1]
