"""One tool changed: its outline is traced again, laid into the old place, all else stays.

`swap_outline` and `patch_of` work in memory; `tracer.workflows.swapping.swap_job` keeps the result.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import UsageError
from tracer.geometry.compare import boundary_distance, iou
from tracer.geometry.register import mirrored_region
from tracer.model.lay_calibration import LayCalibration
from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.model.swap import AreaChange, Outcome
from tracer.model.view import PlaneMap
from tracer.panel.swap.place import Placed, Rule, place_new, same_tool
from tracer.workflows.tracing.trace import Trace

__all__ = [
    "SwapOptions",
    "Swapped",
    "area_change",
    "find_outline",
    "near_neighbours",
    "same_cards",
    "swap_outline",
    "the_new_one",
    "view_of_lay",
]

CARDS_MOVED_MM = 1.0  # two photos place one card this alike when nobody touched it
CARDS_TURNED_RAD = 0.006  # 1 mm over a card's length


@dataclass(frozen=True, kw_only=True)
class SwapOptions:
    """What was typed about the new tool and its place.

    Attributes
    ----------
    point_px
        A point on the new tool in its first photo, where the photo shows several.
    name
        New name; None keeps the old one.
    """

    rule: Rule = Rule.AUTO
    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_rad: float = 0.0
    mirror: bool = False
    point_px: tuple[float, float] | None = None
    name: str | None = None


@dataclass(frozen=True, eq=False)
class Swapped:
    """The old and the new outline, both in the old frame, and what was found."""

    old: Outline
    new: Outline
    outcome: Outcome
    placed: Placed
    change: AreaChange
    checks: tuple[Check, ...]


def find_outline(outlines: Sequence[Outline], wanted: str) -> Outline:
    """The outline that a person means by an id or a name.

    Raises
    ------
    UsageError
        ``tool-unknown`` with the nearest names, ``tool-ambiguous``.
    """
    key = wanted.strip().casefold()
    by_id = [o for o in outlines if o.outline_id.casefold() == key]
    found = by_id or [o for o in outlines if o.name.casefold() == key]
    if len(found) == 1:
        return found[0]
    if found:
        raise UsageError(
            "tool-ambiguous",
            f"Several tools are called '{wanted}': {', '.join(o.outline_id for o in found)}.",
            "Name the one you mean by its number.",
        )
    names = [n for o in outlines for n in (o.outline_id, o.name)]
    near = difflib.get_close_matches(wanted, names, 3)
    raise UsageError(
        "tool-unknown",
        f"The job has no tool '{wanted}'.",
        f"Do you mean {' or '.join(near)}?" if near else "The overlay picture shows the numbers.",
    )


def same_cards(calibration: LayCalibration, done: Trace) -> bool:
    """Whether the new photo shows the old cards unmoved, so that both frames are one.

    Parameters
    ----------
    calibration
        What the job keeps of the old lay's.
    """
    old = calibration.used_cards
    new = {c.number: c for c in done.calibration.cards if c.used}
    if not old or not new or min(old) != min(new):
        return False
    common = set(old) & set(new)
    if len(common) < 2:
        return False
    for number in common:
        x, y, angle = new[number].placement
        was_x, was_y, was_angle, _ = old[number]
        turn = np.angle(np.exp(1j * (angle - was_angle)))
        if max(abs(x - was_x), abs(y - was_y)) > CARDS_MOVED_MM:
            return False
        if abs(turn) > CARDS_TURNED_RAD:
            return False
    return True


def swap_outline(
    old: Outline,
    others: Sequence[Outline],
    done: Trace,
    options: SwapOptions,
    *,
    same_frame: bool,
) -> Swapped:
    """The new tool's outline in the old one's place.

    Parameters
    ----------
    others
        Outlines of the old lay without ``old``.
    done
        Trace of the photos of the new tool.

    Raises
    ------
    UsageError
        ``swap-which-tool``, ``swap-no-tool``, ``swap-rule-impossible``.
    """
    found = the_new_one(old, others, done, options, same_frame)
    placed = place_new(
        found.region,
        old.region,
        rule=options.rule,
        same_frame=same_frame,
        shift_mm=options.shift_mm,
        turn_rad=options.turn_rad,
        mirror=options.mirror,
    )
    sigma = float(np.hypot(found.sigma_mm, old.sigma_mm))
    moved_by_hand = options.shift_mm != (0.0, 0.0) or options.turn_rad != 0 or options.mirror
    # the same tool is the same wherever it lies: compare the outlines laid best over one another
    best = mirrored_region(found.region) if placed.registration.mirrored else found.region
    same, _ = same_tool(placed.registration.motion.region(best), old.region, sigma)
    same = same and not placed.registration.mirrored
    outcome = Outcome.STAYS if same and not moved_by_hand else Outcome.CHANGED
    new = replace(
        found,
        outline_id=old.outline_id,
        name=options.name or old.name,
        region=placed.region,
        sigma_ring_mm=_carried_sigma(found, placed),
        outer=_moved(found.outer, placed, found.region),
        inner=_moved(found.inner, placed, found.region),
        revision=old.revision + 1,
    )
    change = area_change(old.region, new.region)
    checks = [*_direction(placed, old), *near_neighbours(new, others)]
    return Swapped(old, new, outcome, placed, change, tuple(checks))


def the_new_one(
    old: Outline | None,
    others: Sequence[Outline],
    done: Trace,
    options: SwapOptions,
    same_frame: bool,
) -> Outline:
    """Which of the outlines in the new photo is meant.

    Raises
    ------
    UsageError
        ``swap-which-tool``, ``swap-no-tool``.
    """
    found = list(done.outlines)
    if options.point_px is not None:
        view = done.calibration.views[0]
        point = Point(view.to_sheet([options.point_px])[0])
        hit = [o for o in found if Polygon(o.region.exterior).distance(point) < 8.0]
        if hit:
            return min(hit, key=lambda o: Polygon(o.region.exterior).distance(point))
        raise UsageError(
            "swap-no-tool",
            f"No tool was found at ({options.point_px[0]:.0f}, {options.point_px[1]:.0f}).",
            "Give a point on the new tool, in pixels of the upright photo.",
        )
    if same_frame and len(found) > 1:
        # the other tools lie where they lay: what is none of them is new
        found = [o for o in found if not any(iou(o.region, k.region) > 0.5 for k in others)]
    if len(found) == 1:
        return found[0]
    if not found:
        raise UsageError(
            "swap-no-tool",
            "No new tool was found in the photo.",
            "Lay it on a plain sheet with cards around it.",
        )
    there = [o for o in found if same_frame and old is not None and o.region.intersects(old.region)]
    if len(there) == 1:
        return there[0]
    raise UsageError(
        "swap-which-tool",
        f"The photo shows {len(found)} tools that could be the new one.",
        "Photograph it alone, or point at it.",
    )


def _carried_sigma(found: Outline, placed: Placed) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Per-vertex values of a ring that a mirror image runs through backwards."""
    values = found.sigma_ring_mm
    if not placed.mirrored or not len(values):
        return values
    # the mirrored ring is turned round to stay counter-clockwise: its first vertex stays first
    return np.concatenate([values[:1], values[:0:-1]])


def _moved(shape: BaseGeometry | None, placed: Placed, region: Polygon) -> BaseGeometry | None:
    if shape is None:
        return None
    if placed.mirrored:
        shape = shapely.affinity.affine_transform(shape, [-1, 0, 0, 1, 2 * region.centroid.x, 0])
    return placed.motion.region(shape)


def area_change(old: BaseGeometry, new: BaseGeometry) -> AreaChange:
    """Area added and removed, and the largest distance between the boundaries (NaN with one)."""
    both = not (old.is_empty or new.is_empty)
    largest_mm = boundary_distance(old, new).max_mm if both else float("nan")
    return AreaChange(new.difference(old).area, old.difference(new).area, largest_mm)


def _direction(placed: Placed, old: Outline) -> list[Check]:
    """Say so when the picture was turned or mirrored, or when nothing tells."""
    checks = []
    if placed.registration.mirrored and not placed.mirrored:
        checks.append(
            Check(
                "swap-looks-mirrored",
                Severity.WARN,
                f"The new tool fits the place of {old.name} better lying on its other face.",
                "Lay it as it will lie in the foam, or have it mirrored.",
                subject_id=old.outline_id,
                value=placed.registration.mirror_ratio,
            )
        )
    if placed.rule in (Rule.OVERLAY, Rule.CENTRE) and not placed.registration.turn_is_clear:
        checks.append(
            Check(
                "swap-direction-open",
                Severity.WARN,
                f"The outlines do not tell which way round the new tool goes in the place of"
                f" {old.name}.",
                "Look at the picture; if it is wrong, turn it by 180 degrees.",
                subject_id=old.outline_id,
                value=placed.registration.turned_ratio,
            )
        )
    return checks


def near_neighbours(new: Outline, others: Sequence[Outline], least_mm: float = 10.0) -> list[Check]:
    """Neighbours that the new outline comes too close to (10 mm of foam: common practice)."""
    checks = []
    for other in others:
        distance = new.region.distance(other.region)
        if distance >= least_mm:
            continue
        a, _ = shapely.ops.nearest_points(new.region, other.region)
        checks.append(
            Check(
                "swap-near-neighbour",
                Severity.FAIL if distance <= 0 else Severity.WARN,
                f"{new.name} comes within {distance:.1f} mm of {other.name}."
                if distance > 0
                else f"{new.name} lies over {other.name}.",
                "Shift or turn it, or arrange the panel anew.",
                subject_id=new.outline_id,
                value=distance,
                limit=least_mm,
                unit="mm",
                where_mm=(a.x, a.y),
            )
        )
    return checks


def view_of_lay(calibration: LayCalibration) -> PlaneMap | None:
    """How the first photo of a lay shows the sheet."""
    return calibration.first_view
