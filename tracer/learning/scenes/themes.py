"""Classes of difficulty: what makes a lay hard to read, each drawn in wide ranges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.dark_rods import DARK_RODS
from tracer.learning.scenes.flat_blades import FLAT_BLADES
from tracer.learning.scenes.grounds import GROUND_KINDS
from tracer.learning.scenes.hand_tools import Recipe
from tracer.learning.scenes.open_shapes import HANDLES, OPEN, SLENDER
from tracer.learning.scenes.recipes import BULKY_TOOLS, HAND_TOOLS
from tracer.learning.scenes.sideways_tools import SIDEWAYS
from tracer.learning.scenes.small_parts import COINS, PIERCED, PLAIN_SOLIDS, SCREWS, SMALL, THIN
from tracer.learning.scenes.tongues import TONGUED

__all__ = ["THEMES", "Theme", "draw_theme"]

_MATS = ("grid", "grid", "grid", "check", "tiles", "weave", "dots", "ribs")
_CLOTHS = ("cloth", "cloth", "weave", "knit", "check", "plain", "foam")
_DARK = ("dark body", "dark body", "rubber", "black", "dark metal")
_ALL: tuple[Recipe, ...] = (*HAND_TOOLS, *BULKY_TOOLS, *OPEN, *HANDLES)


@dataclass(frozen=True)
class Theme:
    """One class of difficulty.

    Attributes
    ----------
    odds
        How often it is drawn, beside the others'.
    several
        Factor on the odds where several photos are taken: what stands tall gains most from them.
    level
        Range of the sheet's tone (linear), any if None.
    grounds
        Kinds of sheet; any if empty.
    slots
        What the tools' parts are made of, instead of their own, with odds ``swap``.
    own_tone
        Odds that a part takes the sheet's tone; that of a second colour, ``own_band``.
    recipes
        What is laid; the usual mixture if empty.
    hard
        Odds that one small lamp rules; ``ambient`` the light beside it, ``lamp`` the lamp's radius
        over its distance, ``rise`` its elevation in radians.
    throws
        Odds that bright steel throws light on the sheet.
    layout
        ``""`` thrown, ``"series"`` copies in rows, ``"cluster"`` round things close together,
        ``"none"`` nothing at all.
    least
        Fewest things wanted.
    marked, edged
        Odds of prints on the sheet, of the sheet ending in the tile.
    """

    odds: float
    level: tuple[float, float] | None = None
    grounds: tuple[str, ...] = ()
    slots: tuple[str, ...] = ()
    swap: float = 0.7
    own_tone: float = 0.0
    own_band: float = 0.0
    recipes: tuple[Recipe, ...] = ()
    hard: float = 0.4
    ambient: tuple[float, float] = (0.02, 0.35)
    lamp: tuple[float, float] = (0.006, 0.06)
    rise: tuple[float, float] = (0.25, 1.5)
    throws: float = 0.25
    layout: str = ""
    least: int = 4
    marked: float = 0.25
    edged: float = 0.12
    several: float = 1.0

    def kinds(self) -> tuple[int, ...]:
        """``grounds`` as the renderer numbers them."""
        return tuple(GROUND_KINDS.index(k) for k in self.grounds)


THEMES: dict[str, Theme] = {
    "usual": Theme(20, edged=0.28, least=0),
    "blackened": Theme(
        8,
        (0.3, 0.9),
        (),
        ("dark metal", "dark metal", "dark body"),
        hard=0.75,
        ambient=(0.02, 0.15),
    ),
    "bright": Theme(6, (0.45, 0.9), (), ("metal", "chrome"), throws=0.5),
    "chrome": Theme(
        7,
        (0.06, 0.9),
        (),
        ("chrome",),
        0.85,
        recipes=(*HAND_TOOLS * 2, *BULKY_TOOLS, *OPEN * 2, *SLENDER, *COINS),
        hard=0.4,
        throws=0.7,
    ),
    "dark on dark": Theme(8, (0.006, 0.09), (), ("dark metal", "dark body", "rubber", "black")),
    "pale on dark": Theme(
        6,
        (0.005, 0.06),
        _CLOTHS,
        ("pale", "plain"),
        0.85,
        recipes=(*PLAIN_SOLIDS * 3, *_ALL),
        least=1,
    ),
    "dark on pale": Theme(
        3,
        (0.35, 0.9),
        _CLOTHS,
        ("black", "plain"),
        0.85,
        recipes=(*PLAIN_SOLIDS * 3, *_ALL),
        least=1,
    ),
    "pale on pale": Theme(
        6, (0.4, 0.9), (), ("pale", "pale", "clear"), 0.75, recipes=(*PLAIN_SOLIDS * 2, *_ALL)
    ),
    "wood on wood": Theme(5, None, ("grain",), ("wood",), 0.3, own_tone=0.45),
    "own tone": Theme(7, own_tone=0.4),
    "banded": Theme(5, None, (), ("banded",), 0.6, own_band=0.6),
    "clear": Theme(4, None, (), ("clear",), 0.5, recipes=(*HAND_TOOLS, *HANDLES * 4, *BULKY_TOOLS)),
    "thin": Theme(
        5, (0.1, 0.9), recipes=(*THIN * 2, *SLENDER, *_ALL), hard=0.85, ambient=(0.02, 0.12)
    ),
    "mat": Theme(
        6,
        None,
        _MATS,
        ("metal", "dark metal", "dark body", "plain"),
        0.2,
        recipes=(*THIN, *SLENDER * 2, *HAND_TOOLS, *SMALL),
        marked=0.5,
        least=5,
    ),
    "one lamp": Theme(
        6,
        (0.2, 0.9),
        recipes=(*COINS, *HAND_TOOLS, *HANDLES * 4, *OPEN),
        hard=1.0,
        ambient=(0.004, 0.08),
    ),
    "coins": Theme(6, recipes=COINS, layout="cluster", least=8),
    "screws": Theme(7, recipes=SCREWS, layout="series", least=6),
    "scattered": Theme(4, recipes=(*SCREWS * 2, *SMALL), least=16, marked=0.4),
    "pierced": Theme(5, recipes=(*PIERCED * 2, *HAND_TOOLS), hard=0.5),
    "openings": Theme(5, recipes=(*OPEN * 2, *PIERCED, *HAND_TOOLS), marked=0.45),
    "large": Theme(3, recipes=(*BULKY_TOOLS, *PLAIN_SOLIDS * 2), least=1, several=3.0),
    "close": Theme(6, recipes=(*_ALL, *SMALL), layout="series", least=6, several=1.5),
    "marked": Theme(4, recipes=(*_ALL, *SMALL), marked=1.0),
    "empty": Theme(4, layout="none", least=0, marked=0.5, edged=0.6),
    "flat steel": Theme(
        11, (0.3, 0.92), recipes=FLAT_BLADES, hard=0.3, ambient=(0.05, 0.8), throws=0.35, marked=0.4
    ),
    "tongues": Theme(7, recipes=(*TONGUED * 3, *BULKY_TOOLS), least=3, several=1.5),
    "on its side": Theme(8, recipes=(*SIDEWAYS * 3, *BULKY_TOOLS), least=2, several=2.0),
    "dark rods": Theme(
        5,
        (0.004, 0.06),
        ("foam", "foam", "foam", "ribs", "plain", "fibre", "knit", "weave"),
        ("dark metal", "dark metal", "black", "rubber"),
        0.75,
        own_tone=0.15,
        recipes=DARK_RODS,
        hard=0.3,
        least=6,
    ),
    "soft shadow": Theme(
        4,
        (0.06, 0.8),
        (),
        _DARK,
        0.75,
        recipes=(*BULKY_TOOLS, *SIDEWAYS, *HANDLES * 3, *TONGUED),
        hard=1.0,
        ambient=(0.01, 0.15),
        lamp=(0.06, 0.5),
        rise=(0.35, 1.2),
        least=2,
        several=2.5,
    ),
    "side shadow": Theme(
        3,
        (0.1, 0.9),
        (),
        _DARK,
        0.6,
        recipes=(*HAND_TOOLS, *BULKY_TOOLS, *SIDEWAYS, *HANDLES * 3, *FLAT_BLADES),
        hard=1.0,
        ambient=(0.004, 0.06),
        lamp=(0.004, 0.03),
        rise=(0.3, 0.9),
        throws=0.15,
        several=2.5,
    ),
}
_NAMES = list(THEMES)
_ONE = np.array([t.odds for t in THEMES.values()])
_SEVERAL = np.array([t.odds * t.several for t in THEMES.values()])


def draw_theme(g: Generator, several: bool = False) -> str:
    """Name of a theme, by their odds for one photo or for several."""
    odds = _SEVERAL if several else _ONE
    return _NAMES[int(g.choice(len(_NAMES), p=odds / odds.sum()))]
