"""Laying a new tool into the place of an old one, by a stated rule.

The new outline comes from its own photo and so in its own frame. Where the old tool's cards had
not moved, that frame is the old one and the tool can stay as it lies. Otherwise it is laid by its
own features. Turned and mirrored pictures are recognised where the two outlines tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.geometry.compare import Motion, boundary_distance, iou
from tracer.geometry.register import (
    Registration,
    ends_of,
    hanging_point,
    mirrored_region,
    point_motion,
    register,
)

__all__ = ["Placed", "Rule", "place_new", "same_tool"]

LAID_THERE_IOU = 0.3  # a tool put down in the old one's place, not merely across it
LIKE_MEAN_MM = 6.0  # outlines nearer than this on average are of one kind: pliers for pliers


class Rule(StrEnum):
    """What is laid over what. The long axis keeps the old direction, except for ``as-laid``."""

    AUTO = "auto"
    AS_LAID = "as-laid"  # as photographed: the cards have not moved
    OVERLAY = "overlay"  # best overall agreement of the two outlines
    HANDLE = "handle"  # handle end over handle end
    CENTRE = "centre"  # centroid over centroid
    HANG = "hang"  # hanging hole over hanging hole


@dataclass(frozen=True)
class Placed:
    """The new outline in the old one's frame.

    Attributes
    ----------
    region
        Laid into place.
    motion, mirrored
        What was done: mirrored about its centroid's vertical first where so, then moved.
    rule
        The rule in force (never ``auto``).
    registration
        How the two outlines compare when laid best over one another.
    """

    region: Polygon
    motion: Motion
    mirrored: bool
    rule: Rule
    registration: Registration


def place_new(
    new: Polygon,
    old: Polygon,
    *,
    rule: Rule = Rule.AUTO,
    same_frame: bool = False,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    turn_rad: float = 0.0,
    mirror: bool = False,
) -> Placed:
    """Lay a new tool into an old one's place.

    Parameters
    ----------
    new, old
        Outlines; ``old`` in the frame of the answer.
    same_frame
        The new photo shows the old cards unmoved.
    shift_mm, turn_rad
        Typed correction, applied last: turn about the centroid, then shift.
    mirror
        The tool is to lie on its other face: its mirrored outline is used.

    Raises
    ------
    UsageError
        ``swap-rule-impossible`` when the rule needs something that is not there.
    """
    found = register(new, old)
    chosen = _chosen(rule, found, new, old, same_frame)
    turned_over = mirror or (found.mirrored and chosen is Rule.OVERLAY)
    moving = mirrored_region(new) if turned_over else new
    if turned_over and not found.mirrored:
        found = register(moving, old)
    if chosen is Rule.AS_LAID:
        if not same_frame:
            raise UsageError(
                "swap-rule-impossible",
                "The new tool cannot stay as it lies: its photo shows other cards, or moved ones.",
                "Choose another rule for its place.",
            )
        motion = Motion()
    elif chosen is Rule.OVERLAY:
        motion = found.motion
    else:
        motion = _by_feature(chosen, moving, old, found)
    region = motion.region(moving)
    centre = np.asarray(region.centroid.coords[0])
    turn = Motion(turn_rad)
    dx, dy = centre - turn.points([centre])[0] + shift_mm
    typed = Motion(turn_rad, (float(dx), float(dy)))
    return Placed(typed.region(region), motion.then(typed), turned_over, chosen, found)


def _chosen(rule: Rule, found: Registration, new: Polygon, old: Polygon, same_frame: bool) -> Rule:
    if rule is not Rule.AUTO:
        return rule
    if same_frame and iou(new, old) > LAID_THERE_IOU:
        return Rule.AS_LAID
    if found.mean_mm < LIKE_MEAN_MM:
        return Rule.OVERLAY
    handles = ends_of(new).has_handle and ends_of(old).has_handle
    return Rule.HANDLE if handles else Rule.CENTRE


def _by_feature(rule: Rule, new: Polygon, old: Polygon, found: Registration) -> Motion:
    mine, theirs = ends_of(new), ends_of(old)
    angle = mine.angle_rad
    if not (mine.has_handle and theirs.has_handle):
        # without handle ends the axes may lie either way: take the way in which outlines agree
        turn = found.motion.angle_rad
        if np.cos(theirs.angle_rad - angle - turn) < 0:
            angle += np.pi
    if rule is Rule.HANDLE:
        handle = mine.handle_mm if angle == mine.angle_rad else mine.tip_mm
        return point_motion(handle, angle, theirs.handle_mm, theirs.angle_rad)
    if rule is Rule.HANG:
        holes = hanging_point(new), hanging_point(old)
        if holes[0] is None or holes[1] is None:
            raise UsageError(
                "swap-rule-impossible",
                "There is no hole to hang by in the new or the old outline.",
                "Choose another rule for its place.",
            )
        return point_motion(holes[0].coords[0], angle, holes[1].coords[0], theirs.angle_rad)
    return point_motion(mine.centre_mm, angle, theirs.centre_mm, theirs.angle_rad)


def same_tool(new: Polygon, old: Polygon, sigma_mm: float) -> tuple[bool, float]:
    """Whether two outlines, laid over one another, are one tool photographed twice.

    Parameters
    ----------
    sigma_mm
        Standard deviation of the difference of the two edges.

    Returns
    -------
    same
        True when 95 % of the edge agree within two standard deviations and all of it within four.
    largest_mm
        The largest distance.
    """
    distance = boundary_distance(new, old)
    return bool(distance.p95_mm < 2 * sigma_mm and distance.max_mm < 4 * sigma_mm), distance.max_mm
