"""The opening that a panel fills, and the sheets that it is built from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Bay", "BayKind", "Ply", "PlyRole", "Slab", "Stock"]

RGB = tuple[int, int, int]


class BayKind(StrEnum):
    """Where the panel goes; gravity and drawers above decide most rules."""

    WALL = "wall"
    DRAWER = "drawer"


@dataclass(frozen=True)
class Bay:
    """The opening that the panel fills.

    Attributes
    ----------
    width_mm, height_mm
        Lower side and left side as measured.
    clear_depth_mm
        From the bay's floor to what closes over it; None where nothing does.
    top_mm, right_mm
        The other two sides where they differ; None: the same as the opposite ones.
    rising_mm, falling_mm
        Diagonals from the lower left to the upper right corner and from the upper left to the
        lower right one; None: taken as square.
    squeeze_mm
        By how much the panel is larger than the bay, both ways, so that friction holds it;
        negative for a panel that drops in.
    above_floor_mm
        Height of a wall panel's lower edge above the floor people stand on; None: not known.
    grip
        The panel is to hold by friction: where no squeeze is typed, it goes by the foam's density.
    """

    kind: BayKind
    width_mm: float
    height_mm: float
    clear_depth_mm: float | None = None
    top_mm: float | None = None
    right_mm: float | None = None
    rising_mm: float | None = None
    falling_mm: float | None = None
    squeeze_mm: float = 0.0
    above_floor_mm: float | None = None
    grip: bool = False


class PlyRole(StrEnum):
    """What a ply is for."""

    FACE = "face"
    BASE = "base"
    BACKING = "backing"


@dataclass(frozen=True)
class Stock:
    """Sheets as they are bought.

    Attributes
    ----------
    colour, rgb
        Name and sRGB colour of the side that shows.
    material
        ``pe``, ``eva``, ``plywood`` ...; machine profiles allow or forbid by this word.
    thickness_mm
        As measured, not as labelled.
    size_mm
        Largest sheet to be had.
    density_kg_m3, price
        For weight and cost; None: not given. The price is per sheet, in the shop's own money.
    grain
        Whether texture or grain runs along the sheet's long side: pieces keep their direction.
    """

    colour: str
    rgb: RGB
    material: str
    thickness_mm: float
    size_mm: tuple[float, float]
    density_kg_m3: float | None = None
    price: float | None = None
    grain: bool = False


@dataclass(frozen=True)
class Ply:
    """One layer of the stack; ``bonded`` to the next one when both come as one sheet."""

    role: PlyRole
    stock: Stock
    bonded: bool = False


@dataclass(frozen=True)
class Slab:
    """What is cut as one piece: plies ``first`` to ``last``, from ``front_mm`` to ``back_mm``."""

    index: int
    plies: tuple[Ply, ...]
    front_mm: float
    back_mm: float

    @property
    def thickness_mm(self) -> float:
        """Thickness of the piece."""
        return self.back_mm - self.front_mm

    @property
    def name(self) -> str:
        """``1-face-dark-grey``: number from the front, role, colours."""
        colours = "-".join(dict.fromkeys(p.stock.colour.replace(" ", "-") for p in self.plies))
        return f"{self.index + 1}-{self.plies[0].role.value}-{colours}"
