"""What a maker asks of a panel: typed or chosen, kept in the job, never computed.

`PanelPlan` is an input of the panel stage. The finished `Panel` can be made again from it, the
outlines and the tool list, to the same bytes.

Places within a tool are given in mm from the lower left corner of the tool's box as the tool lay
in the photo, so that a rule laid on the table finds them; they travel with the tool.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from tracer.model.fitting_plans import (
    CavityPlan,
    EmblemPlan,
    HolePlan,
    LedgePlan,
    MountPlan,
    RailPlan,
)
from tracer.model.panel import Bay, Stock

__all__ = [
    "Anchor",
    "Arrangement",
    "CavityPlan",
    "ChosenPlace",
    "CopyPlan",
    "Effort",
    "EmblemPlan",
    "FitClass",
    "FixingPlan",
    "Hand",
    "HolePlan",
    "KeepOutPlan",
    "LedgePlan",
    "MountPlan",
    "MovePlan",
    "NotchPlan",
    "PanelPlan",
    "PlacementPlan",
    "PlainPocketPlan",
    "PlyPlan",
    "RailPlan",
    "SlotPlan",
    "Spare",
    "StepPlan",
    "Style",
    "ToolPlan",
    "WellPlan",
]


class Arrangement(StrEnum):
    """How tools are placed."""

    PHOTOGRAPHED = "photographed"
    TIDIED = "tidied"
    FRESH = "fresh"  # made from nothing


class Style(StrEnum):
    """What a layout made from nothing is to look like."""

    ROWS = "rows"
    DENSE = "dense"
    SPREAD = "spread"


class Spare(StrEnum):
    """What becomes of free room in a fresh layout."""

    WHOLE = "whole"  # one useful piece: room for the next tool
    SPREAD = "spread"


class Effort(StrEnum):
    """How long a fresh layout is searched for."""

    QUICK = "quick"
    USUAL = "usual"
    LONG = "long"


class Anchor(StrEnum):
    """How the lay is set into the bay."""

    CENTRE = "centre"
    MARGIN = "margin"  # at the edge margin from the lower left corner


class FitClass(StrEnum):
    """How a tool sits in its pocket; `tracer.panel.rules` gives the millimetres."""

    PRESS = "press"
    SNUG = "snug"
    EASY = "easy"
    LOOSE = "loose"


class Hand(StrEnum):
    """Whose fingers the notches are made for."""

    BARE = "bare"
    GLOVED = "gloved"


@dataclass(frozen=True)
class PlyPlan:
    """A layer of the stack: role, sheet, and whether it comes bonded to the next one.

    ``thicknesses_mm`` lists what else the same sheet is sold in, for machines that only cut
    through.
    """

    role: str
    stock: Stock
    bonded: bool = False
    thicknesses_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class PlacementPlan:
    """How the lay is set and tidied, or what a layout made from nothing is to look like.

    ``turn_deg`` turns the whole lay (None: upright as photographed). Tidying changes no place by
    more than ``max_shift_mm`` and no angle by more than ``max_turn_deg``.

    For fresh layouts: ``style``; which of the best is taken (``choice``, from 1); the gap between
    tools where it is not the rules'; what becomes of free room (None: as usual for the bay);
    weights of soft rules by name; how long to search (``effort``) and from which ``seed``.
    """

    arrangement: Arrangement = Arrangement.PHOTOGRAPHED
    anchor: Anchor = Anchor.CENTRE
    edge_mm: float | None = None
    turn_deg: float | None = None
    max_shift_mm: float = 40.0
    max_turn_deg: float = 12.0
    pairs: bool = True
    style: Style = Style.ROWS
    choice: int = 1
    gap_mm: float | None = None
    spare: Spare | None = None
    effort: Effort = Effort.USUAL
    seed: int = 0
    weights: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class WellPlan:
    """Part of the tool that reaches deeper: centre, size (round without a height), own depth.

    ``reach_mm`` is how far the part stands below the tool's underside.
    """

    name: str
    x_mm: float
    y_mm: float
    width_mm: float
    reach_mm: float
    height_mm: float | None = None


@dataclass(frozen=True)
class StepPlan:
    """Thin part of a tool whose underside lies higher than the tool's lowest: centre and size.

    ``under_mm`` is by how much; the pocket's floor is raised there by as much, so that it rests.
    """

    name: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    under_mm: float


@dataclass(frozen=True)
class NotchPlan:
    """A finger notch at a typed place instead of the proposed one; ``both`` sides of the grip."""

    x_mm: float
    y_mm: float
    both: bool = True


@dataclass(frozen=True)
class ToolPlan:
    """What was typed for one pocket; None or empty: as the rules say.

    ``depth_mm`` is where the tool rests; ``through`` cuts to the base. ``notch`` False leaves the
    finger notch away. ``pose`` is how moving parts are set when it is stored. ``skip`` leaves the
    tool out of the panel.
    """

    pocket_id: str
    depth_mm: float | None = None
    through: bool | None = None
    insert: bool | None = None
    fit: FitClass | None = None
    mass_kg: float | None = None
    notch: bool | None = None
    notches: tuple[NotchPlan, ...] = ()
    wells: tuple[WellPlan, ...] = ()
    steps: tuple[StepPlan, ...] = ()
    label: str | None = None
    daily: bool = False
    pose: str | None = None
    skip: bool = False


@dataclass(frozen=True)
class MovePlan:
    """A pocket put by hand: centre of the tool's box in the panel, turn from the photographed lie.

    None keeps what the arrangement gives. ``locked``: on the page it is not moved, and it stays
    when the rest is laid out again.
    """

    pocket_id: str
    x_mm: float | None = None
    y_mm: float | None = None
    turn_deg: float | None = None
    locked: bool = False


@dataclass(frozen=True)
class ChosenPlace:
    """Where a chosen layout put a pocket: centre of the tool's box, turn from the photographed lie.

    Kept in the plan so that the layout stays when anything else is changed.
    """

    pocket_id: str
    x_mm: float
    y_mm: float
    turn_deg: float


@dataclass(frozen=True)
class CopyPlan:
    """The same tool again, or its mirror image; without a place the nearest free one is taken."""

    of: str
    x_mm: float | None = None
    y_mm: float | None = None
    turn_deg: float = 0.0
    mirrored: bool = False
    name: str | None = None


@dataclass(frozen=True)
class PlainPocketPlan:
    """A pocket of typed size, for chargers, boxes and sets in cases of their own.

    ``powered`` marks chargers and batteries: they get their cautions and never a closed floor of
    foam without a word.
    """

    name: str
    width_mm: float
    height_mm: float
    thing_mm: float
    x_mm: float | None = None
    y_mm: float | None = None
    turn_deg: float = 0.0
    depth_mm: float | None = None
    mass_kg: float | None = None
    corner_mm: float = 5.0
    powered: bool = False


@dataclass(frozen=True)
class KeepOutPlan:
    """Rail, socket or pipe: lower left corner and size in the bay; round without a height."""

    name: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float | None = None
    hole: bool = False


@dataclass(frozen=True)
class SlotPlan:
    """One finger slot for a row of thin tools."""

    pocket_ids: tuple[str, ...]


@dataclass(frozen=True)
class FixingPlan:
    """Screws of the backing board: greatest distance between neighbours."""

    pitch_mm: float = 300.0
    wanted: bool = True


@dataclass(frozen=True)
class PanelPlan:
    """Everything asked for.

    ``insert`` is the thin contrast sheet for floor inserts; None: the base's own stock. ``rules``
    overrides single figures of `tracer.panel.rules` by name.
    """

    title: str = "Panel"
    bay: Bay | None = None
    plies: tuple[PlyPlan, ...] = ()
    insert: Stock | None = None
    placement: PlacementPlan = field(default_factory=PlacementPlan)
    fit: FitClass | None = None
    fit_probability: float = 0.9
    loosest_mm: float = 3.0
    hand: Hand = Hand.BARE
    through_only: bool = False
    labels: bool = True
    tools: tuple[ToolPlan, ...] = ()
    moves: tuple[MovePlan, ...] = ()
    places: tuple[ChosenPlace, ...] = ()
    copies: tuple[CopyPlan, ...] = ()
    plain: tuple[PlainPocketPlan, ...] = ()
    keep_outs: tuple[KeepOutPlan, ...] = ()
    slots: tuple[SlotPlan, ...] = ()
    fixings: FixingPlan = field(default_factory=FixingPlan)
    emblems: tuple[EmblemPlan, ...] = ()
    cavities: tuple[CavityPlan, ...] = ()
    mounts: tuple[MountPlan, ...] = ()
    ledges: tuple[LedgePlan, ...] = ()
    rail: RailPlan | None = None
    rules: dict[str, float] = field(default_factory=dict)

    def tool(self, pocket_id: str) -> ToolPlan:
        """What was typed for a pocket; a copy takes over what was typed for its original."""
        typed = {t.pocket_id: t for t in self.tools}
        original = pocket_id.rsplit("-", 1)[0]
        return typed.get(pocket_id) or typed.get(original) or ToolPlan(pocket_id)

    def place(self, pocket_id: str) -> ChosenPlace | None:
        """Where the chosen layout has a pocket; None where it has not."""
        return next((p for p in self.places if p.pocket_id == pocket_id), None)
