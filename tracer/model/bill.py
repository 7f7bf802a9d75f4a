"""What a panel is made of and costs, and what a maker reads at the bench."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import Polygon

from tracer.model.report import Check
from tracer.model.stack import Stock

__all__ = [
    "BillLine",
    "FileLine",
    "JobSheet",
    "KitBill",
    "MaskingPiece",
    "ReadFirst",
    "WrittenCheck",
]


@dataclass(frozen=True)
class BillLine:
    """Sheets of one stock: how many, what for, weight of what is used, price if it was typed."""

    stock: Stock
    purpose: str
    sheets: int
    mass_kg: float | None
    price: float | None


@dataclass(frozen=True)
class FileLine:
    """A cutting file: name, what it cuts, size, its layers in cutting order, seconds at least."""

    name: str
    piece: str
    size_mm: tuple[float, float]
    layers: tuple[str, ...]
    seconds: float


@dataclass(frozen=True)
class KitBill:
    """Several copies of one panel, for a quotation.

    Attributes
    ----------
    serials
        One per copy: job, revision, number of all.
    stocks
        Per stock: name, sheets for all copies, share of them that is waste, price of all sheets
        (None: not typed), whole mass of what is used in kg (None: no density).
    cut_s, pieces
        Time at the machine at least, and pieces to be cut, for one copy.
    """

    title: str
    machine: str
    serials: tuple[str, ...]
    stocks: tuple[tuple[str, int, float, float | None, float | None], ...]
    cut_s: float
    pieces: int
    consumables: tuple[str, ...]

    @property
    def copies(self) -> int:
        """How many."""
        return len(self.serials)


@dataclass(frozen=True)
class ReadFirst:
    """What a person reads before a folder of files goes to its machine.

    ``sheets`` are cut there in this order, ``boards`` are sawn and drilled by hand; ``notes`` are
    the profile's words on feeds and passes.
    """

    title: str
    machine: str
    kerf: str
    sheets: tuple[FileLine, ...]
    boards: tuple[FileLine, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    failed: tuple[str, ...] = ()


@dataclass(frozen=True)
class WrittenCheck:
    """A check, where its limit comes from, and whether the maker accepted it."""

    check: Check
    basis: str = ""
    accepted: bool = False


@dataclass(frozen=True, eq=False)
class MaskingPiece:
    """A cut-out that is put back while glue is sprayed: its mark, whose it is, layer, area."""

    mark: str
    name: str
    layer: int
    region: Polygon


@dataclass(frozen=True)
class JobSheet:
    """Words and tables of the job sheet; pictures are drawn from the panel itself.

    ``order`` lists pocket ids in cutting order. ``kerf`` says who allows for the cutter's width,
    ``fit`` what the walls promise. ``rooms`` has for each cable room what it holds in cm3 and the
    share that its cable fills, ``squares_deg`` by how much the bay's corners differ from a right
    angle, lower left first and round to the left.
    """

    machine: str
    kerf: str
    fit: str
    order: tuple[str, ...]
    bill: tuple[BillLine, ...]
    files: tuple[FileLine, ...]
    consumables: tuple[str, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    checks: tuple[WrittenCheck, ...]
    masking: tuple[MaskingPiece, ...] = ()
    rooms: tuple[tuple[float, float], ...] = ()
    squares_deg: tuple[float, float, float, float] | None = None
