"""What a machine (or a hand) can cut, and what a foam lets it do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["Kerf", "Machine", "Material", "Verdict"]


class Kerf(StrEnum):
    """Who allows for the width of the cut. It must be done exactly once."""

    FILE = "file"
    MACHINE = "machine"
    NONE = "none"  # nothing is removed


class Verdict(StrEnum):
    """What is known about cutting a material with heat. Nothing is ever ruled safe."""

    NEVER = "never"
    ASK = "ask"


@dataclass(frozen=True)
class Material:
    """A foam: its name, and the verdict on cutting it with heat, with the reason.

    ``gives_mm`` is how far it gives way without holding a tool off (common practice, no source).
    """

    key: str
    title: str
    heat: Verdict
    reason: str
    gives_mm: float = 0.2


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A machine profile.

    Attributes
    ----------
    key, title
        Name on the command line and name for people.
    cuts_depth
        False for machines that only cut through.
    heat
        Cuts by heat: the material's verdict decides.
    bed_mm
        Largest sheet, either way round.
    max_depth_mm
        Thickest foam cut through, or deepest pocket.
    kerf_mm, kerf
        Width removed, and who allows for it.
    inside_radius_mm
        Smallest inside radius of a finished wall.
    relief
        Whether corners that the tool needs may be cut out with a disc of that radius.
    cut_sigma_mm
        Standard deviation of the finished wall.
    fit_offset_mm
        Added to the fit of every pocket; from the fit coupon.
    proved
        Kerf or fit were read from a coupon that this very machine cut; until then every job sheet
        says that they are habits of the trade.
    dxf_version, straight, straight_tolerance_mm
        What its reader takes: file version ("R2000" or "R12"), and chords instead of arcs.
    layer_names
        Own layer name per operation.
    colours
        Own colour (r, g, b) per operation or layer.
    feed_mm_min, rapid_mm_min
        Speed along the cut and between cuts.
    pass_depth_mm, plunge_s
        Depth per pass and time for one plunge and lift.
    cautions
        Shown with every file made for the machine.
    taper_mm_per_10mm
        By how much a wall runs inward per side over 10 mm of depth: the other face is tighter.
    lead_mm
        Length of leads in the waste, on a layer that is off; 0: none.
    tab_width_mm, tabs
        Bridges that hold loose pieces, on a layer that is off; 0 tabs: none.
    blade_width_mm, blade_length_mm, blade_offset_mm, lift_deg
        Of a knife: width and cutting length of the blade, how far its tip trails, and from which
        corner on it is lifted and turned; 0: not said.
    peel_mm
        Thickness that peels off at a time, by hand; 0: the foam is cut in slices.
    pause_s
        Rest between openings so that heat leaves the foam.
    """

    key: str
    title: str
    cuts_depth: bool
    heat: bool
    bed_mm: tuple[float, float]
    max_depth_mm: float
    kerf_mm: float
    kerf: Kerf
    inside_radius_mm: float
    relief: bool
    cut_sigma_mm: float
    fit_offset_mm: float = 0.0
    proved: bool = False
    dxf_version: str = "R2000"
    straight: bool = False
    straight_tolerance_mm: float = 0.02
    layer_names: Mapping[str, str] = field(default_factory=dict)
    colours: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)
    feed_mm_min: float = 2000.0
    rapid_mm_min: float = 6000.0
    pass_depth_mm: float = 1000.0
    plunge_s: float = 2.0
    cautions: tuple[str, ...] = ()
    taper_mm_per_10mm: float = 0.0
    lead_mm: float = 0.0
    tab_width_mm: float = 0.0
    tabs: int = 0
    blade_width_mm: float = 0.0
    blade_length_mm: float = 0.0
    blade_offset_mm: float = 0.0
    lift_deg: float = 0.0
    peel_mm: float = 0.0
    pause_s: float = 0.0

    def narrowing_mm(self, depth_mm: float) -> float:
        """How far a wall runs in per side over a depth."""
        return self.taper_mm_per_10mm * depth_mm / 10

    def wall_offset_mm(self, depth_mm: float) -> float:
        """What is added to every fit: the coupon's, and that it holds at the tight face.

        No single cut is deeper than ``max_depth_mm``: more is made of several pieces of foam.
        """
        return self.fit_offset_mm + self.narrowing_mm(min(depth_mm, self.max_depth_mm))
