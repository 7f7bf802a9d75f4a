"""Foam colours to choose from on the page, those of the shop first, and how well two part."""

from __future__ import annotations

from threading import Lock
from typing import Any

from tracer.desk.bodies import unclear
from tracer.errors import TracerError
from tracer.export.machine.profiles import materials
from tracer.model.panel import BayKind
from tracer.panel.build import DEFAULT_PLIES
from tracer.panel.checks.contrast import contrast
from tracer.panel.rules import rules_for
from tracer.project.foam_stock import foam_from_record, foam_record, load_foams, save_foams
from tracer.project.refusals import Wrong
from tracer.ranges import COUNTS, PLAN

__all__ = ["contrasts", "foam_choices", "keep_foams"]

#: colours that dealers of cross-linked foam have: common practice, no source; a sheet on the bench
#: may differ, and its colour is typed into the shop's own list
COLOURS: dict[str, tuple[int, int, int]] = {
    "dark grey": (55, 55, 58),
    "black": (25, 25, 26),
    "yellow": (240, 210, 20),
    "white": (240, 240, 236),
    "orange": (236, 122, 30),
    "red": (190, 32, 40),
    "blue": (30, 84, 160),
    "green": (40, 120, 70),
    "light grey": (170, 172, 174),
}
MOST_PAIRS = 2 * (len(COLOURS) + int(COUNTS["foams of a shop"].high) + 1)
_writing = Lock()


def foam_choices() -> dict[str, Any]:
    """The shop's own foams, usual colours, foams by name, and what is wanted of a contrast."""
    rules = rules_for(BayKind.DRAWER, DEFAULT_PLIES, {})
    return {
        "own": [foam_record(foam) for foam in load_foams()],
        "colours": [{"colour": name, "rgb": rgb} for name, rgb in COLOURS.items()],
        "materials": [{"key": m.key, "title": m.title} for m in materials().values()],
        "wanted": {"ratio": rules.contrast_ratio, "lrv_points": rules.lrv_points},
    }


def keep_foams(body: dict[str, Any]) -> dict[str, Any]:
    """Keep the shop's list as the page sends it; the choices with it.

    Raises
    ------
    TracerError
        ``edit-conflict`` where it was changed since the page read it, ``edit-refused``,
        ``desk-request-unclear``, ``foam-list-damaged``.
    """
    was, now = body.get("was"), body.get("now")
    if not isinstance(was, list) or not isinstance(now, list):
        raise unclear()
    if len(now) not in COUNTS["foams of a shop"]:
        raise _refused(f"{len(now)} are too many, at most {COUNTS['foams of a shop'].high:g}")
    try:
        foams = [foam_from_record(one) for one in now]
    except Wrong as wrong:
        raise _refused(str(wrong)) from None
    with _writing:
        if [foam_record(foam) for foam in load_foams()] != was:
            raise TracerError(
                "edit-conflict",
                "The list of foams was changed meanwhile, so the change was not made.",
                "Look at what is there now, then decide again.",
            )
        save_foams(foams)
    return foam_choices()


def _refused(why: str) -> TracerError:
    return TracerError(
        "edit-refused", f"That is no list of foams: {why}.", "Type a name, a colour and sizes."
    )


def contrasts(body: dict[str, Any]) -> dict[str, Any]:
    """How well the colours of each pair are told apart.

    Raises
    ------
    TracerError
        ``desk-request-unclear``.
    """
    pairs = body.get("pairs")
    if not isinstance(pairs, list) or len(pairs) > MOST_PAIRS:
        raise unclear()
    return {"pairs": [_pair(pair) for pair in pairs]}


def _pair(pair: Any) -> dict[str, float]:
    if not isinstance(pair, list) or len(pair) != 2:
        raise unclear()
    found = contrast(_rgb(pair[0]), _rgb(pair[1]))
    return {
        "ratio": round(found.ratio, 2),
        "lrv_points": round(found.lrv_points, 1),
        "dull": round(found.delta_e_deuteranope, 1),
    }


def _rgb(value: Any) -> tuple[int, int, int]:
    span = PLAN["stock.rgb"]
    if not isinstance(value, list) or len(value) != 3 or not all(v in span for v in value):
        raise unclear()
    r, g, b = (int(v) for v in value)
    return r, g, b
