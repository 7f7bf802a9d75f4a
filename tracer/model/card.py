"""The scale card: its geometry, its sizes as printed, and its places on a printed mat.

A card is a chessboard of 6 x 4 squares with a coded marker in every white square. Its 15 inner
corners are saddle points of brightness, which neither blur nor ink spread moves; its 12 markers
carry the ids 12 k to 12 k + 11 and so name the card k.

Frame ``card_mm``: upper left corner of the board, x right along the long side, y *down*, as
printed. A *placement* is ``(x_mm, y_mm, angle_rad)``: where the board's lower left corner lies on
the sheet and the direction of its long side there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon

from tracer.errors import TracerError

__all__ = [
    "BOARD_MM",
    "CARD_COUNT",
    "COLUMNS",
    "MARKER_MM",
    "PAPER_MM",
    "PAPER_THICKNESS_MM",
    "ROWS",
    "SQUARE_MM",
    "WHITE_MM",
    "CardSizes",
    "inner_corners_card_mm",
    "mat_places",
    "on_sheet",
    "outline_card_mm",
]

Array = NDArray[np.float64]

COLUMNS, ROWS = 6, 4
SQUARE_MM, MARKER_MM = 28.0, 21.0
#: long and short side between the board's outer edges
BOARD_MM = (COLUMNS * SQUARE_MM, ROWS * SQUARE_MM)
#: white paper left, above, right and below the board on a cut card
WHITE_MM = (8.0, 8.0, 8.0, 12.0)
#: the cut card
PAPER_MM = (BOARD_MM[0] + WHITE_MM[0] + WHITE_MM[2], BOARD_MM[1] + WHITE_MM[1] + WHITE_MM[3])
#: ordinary 80 g/m2 paper, common practice, no source: the print lies this far above the sheet
PAPER_THICKNESS_MM = 0.1
MARKERS_PER_CARD = COLUMNS * ROWS // 2
CARD_COUNT = 48

MAT_RIM_MM = 15.0  # more than most plotters leave blank
MAT_STEP_MM = 600.0  # cards along one side at most about this far apart


def inner_corners_card_mm() -> Array:
    """The 15 inner corners (15, 2) in ``card_mm``, row by row from the upper left one."""
    x, y = np.meshgrid(np.arange(1, COLUMNS), np.arange(1, ROWS))
    return np.column_stack([x.ravel(), y.ravel()]).astype(np.float64) * SQUARE_MM


def outline_card_mm(*, paper: bool) -> Array:
    """Outline (4, 2) of the board, or of the whole cut card, in ``card_mm``.

    The order is lower left, lower right, upper right, upper left *as printed*; y runs down.
    """
    left, top, right, bottom = WHITE_MM if paper else (0.0, 0.0, 0.0, 0.0)
    x0, x1 = -left, BOARD_MM[0] + right
    y0, y1 = -top, BOARD_MM[1] + bottom
    return np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])


def on_sheet(
    points_card_mm: ArrayLike,
    placement: tuple[float, float, float],
    size_mm: tuple[float, float] = BOARD_MM,
) -> Array:
    """Card points (N, 2) to the sheet (N, 2): the one place where card y turns over.

    Examples
    --------
    >>> on_sheet([[0, 112]], (10.0, 20.0, 0.0))
    array([[10., 20.]])
    """
    p = np.asarray(points_card_mm, np.float64).reshape(-1, 2)
    scale = np.array(size_mm) / BOARD_MM
    right_up = np.column_stack([p[:, 0], BOARD_MM[1] - p[:, 1]]) * scale
    x_mm, y_mm, angle_rad = placement
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    turned = right_up @ np.array([[c, s], [-s, c]])
    return np.asarray(turned + np.array([x_mm, y_mm]), np.float64)


def polygon_mm(
    placement: tuple[float, float, float], size_mm: tuple[float, float], *, paper: bool
) -> Polygon:
    """Board or cut card as a polygon on the sheet."""
    return Polygon(on_sheet(outline_card_mm(paper=paper), placement, size_mm))


@dataclass(frozen=True)
class CardSizes:
    """Long and short side of the board as measured on the print.

    Attributes
    ----------
    common_mm
        For every card without a size of its own; None: nobody measured, the nominal size is
        assumed.
    own_mm
        Sizes of single cards by number.
    thickness_mm
        How far the printed face lies above the sheet the tools lie on, where cards are stuck on
        board or foam; None: paper.

    Raises
    ------
    TracerError
        ``card-size-implausible`` when a size cannot be that of a printed card.
    """

    common_mm: tuple[float, float] | None = None
    own_mm: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    thickness_mm: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "own_mm", MappingProxyType(dict(self.own_mm)))
        sizes = list(self.own_mm.values())
        if self.common_mm is not None:
            sizes.append(self.common_mm)
        for size in sizes:
            shares = [s / nominal for s, nominal in zip(size, BOARD_MM, strict=True)]
            # "fit to page" shrinks by up to 10 %; the two sides of one print differ little
            if not all(0.8 <= s <= 1.25 for s in shares) or not 0.97 < shares[0] / shares[1] < 1.03:
                raise TracerError(
                    "card-size-implausible",
                    f"A card size of {size[0]:g} x {size[1]:g} mm cannot be right: the board is "
                    f"about {BOARD_MM[0]:g} mm long and {BOARD_MM[1]:g} mm high.",
                    "Measure between the outer edges of the board, long side first.",
                )

    def of(self, number: int) -> tuple[float, float]:
        """Long and short side of card ``number`` in mm."""
        return self.own_mm.get(number, self.common_mm or BOARD_MM)

    def over(self, earlier: CardSizes) -> CardSizes:
        """These sizes where there are any, the earlier ones elsewhere.

        A common size that was measured anew ends earlier sizes of single cards.
        """
        thickness = earlier.thickness_mm if self.thickness_mm is None else self.thickness_mm
        if self.common_mm is not None:
            return CardSizes(self.common_mm, self.own_mm, thickness)
        return CardSizes(earlier.common_mm, {**earlier.own_mm, **self.own_mm}, thickness)

    @property
    def top_mm(self) -> float:
        """Height of the printed face above the sheet."""
        return PAPER_THICKNESS_MM if self.thickness_mm is None else self.thickness_mm

    def is_typed(self, number: int) -> bool:
        """Whether somebody measured this card's size."""
        return self.common_mm is not None or number in self.own_mm


def mat_places(mat_mm: tuple[float, float]) -> dict[int, tuple[float, float, float]]:
    """Placement of each card on a mat of the given width and height, lower left corner 0, 0.

    Cards stand upright in rows along the two long sides, and along the short sides where there
    is room between the corners; numbers run in reading order from the upper left.

    Raises
    ------
    TracerError
        ``mat-too-small`` when four cards with space between them do not fit.
    """
    width, height = mat_mm
    reach_x, reach_y = width - 2 * MAT_RIM_MM - BOARD_MM[0], height - 2 * MAT_RIM_MM - BOARD_MM[1]
    if reach_x < BOARD_MM[0] + 2 * MAT_RIM_MM or reach_y < BOARD_MM[1] + 2 * MAT_RIM_MM:
        raise TracerError(
            "mat-too-small",
            f"A mat of {width:g} x {height:g} mm has no room for four cards and tools between.",
            "Make it at least 396 x 284 mm, or print single cards.",
        )
    columns = np.linspace(MAT_RIM_MM, MAT_RIM_MM + reach_x, 2 + int(reach_x // MAT_STEP_MM))
    rows = np.linspace(MAT_RIM_MM + reach_y, MAT_RIM_MM, 2 + int(reach_y // MAT_STEP_MM))
    spots = [
        (float(x), float(y), 0.0)
        for j, y in enumerate(rows)
        for i, x in enumerate(columns)
        if j in (0, len(rows) - 1) or i in (0, len(columns) - 1)
    ]
    return dict(enumerate(spots[:CARD_COUNT]))
