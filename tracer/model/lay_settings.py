"""What a person sets for one lay: read once where it is typed, the same value ever after."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

from tracer.model.card import CardSizes
from tracer.model.outline import EdgeModel

__all__ = ["LaySettings", "Separation"]


class Separation(StrEnum):
    """How tool is told from ground."""

    AUTO = "auto"
    CLASSICAL = "classical"
    LEARNED = "learned"


@dataclass(frozen=True, kw_only=True)
class LaySettings:
    """Settings of one lay; None: not typed, what is remembered or usual holds.

    Attributes
    ----------
    card_sizes
        Printed long and short side of the cards' boards.
    mat_mm
        Width and height of a printed mat whose cards lie at known places.
    camera_height_mm
        Measured height of the lens above the sheet, where the photo does not know its lens.
    default_height_mm
        Height of tools that the list gives none for.
    edge
        Edge model of tools that the list gives none for; None lets the product choose.
    keep_cables
        Report loose cables as outlines too.
    separation
        Which separation of tool and ground.
    scan
        The picture is a flatbed scan, the cards face down on the glass.
    edge_shift_mm
        By how much every edge is moved outward, since this phone was found to see edges elsewhere.
    """

    card_sizes: CardSizes = field(default_factory=CardSizes)
    mat_mm: tuple[float, float] | None = None
    camera_height_mm: float | None = None
    default_height_mm: float | None = None
    edge: EdgeModel | None = None
    keep_cables: bool | None = None
    separation: Separation | None = None
    edge_shift_mm: float | None = None
    scan: bool | None = None

    def over(self, earlier: LaySettings) -> LaySettings:
        """These where they were typed, the earlier ones elsewhere.

        A new common card size ends the sizes of single cards.

        Examples
        --------
        >>> sizes = CardSizes(own_mm={3: (168, 112)})
        >>> first = LaySettings(default_height_mm=20.0, card_sizes=sizes)
        >>> second = LaySettings(keep_cables=True).over(first)
        >>> second.default_height_mm, second.keep_cables, dict(second.card_sizes.own_mm)
        (20.0, True, {3: (168, 112)})
        >>> sized = LaySettings(card_sizes=CardSizes((169.0, 112.5))).over(first)
        >>> sized.card_sizes.common_mm, dict(sized.card_sizes.own_mm)
        ((169.0, 112.5), {})
        """
        typed = {
            name: value
            for name in (
                "mat_mm",
                "camera_height_mm",
                "default_height_mm",
                "edge",
                "keep_cables",
                "separation",
                "edge_shift_mm",
                "scan",
            )
            if (value := getattr(self, name)) is not None
        }
        return replace(earlier, card_sizes=self.card_sizes.over(earlier.card_sizes), **typed)
