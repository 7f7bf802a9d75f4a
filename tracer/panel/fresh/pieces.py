"""Pockets to pieces: each with its notch, wells and label as it would have them with room around.

Every turn is fitted out on a panel of its own by the very functions that fit out the finished
panel, so that what the layout keeps free is what the panel will need.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Bay, BayKind, Panel, PanelPocket, Placement, Ply
from tracer.model.panel_plan import PanelPlan
from tracer.panel.fittings.added import add_labels, add_notches, add_wells
from tracer.panel.fittings.labels import label_box
from tracer.panel.fittings.openings import opening
from tracer.panel.layout.axis import axis_rad
from tracer.panel.layout.placement import middle
from tracer.panel.packing.task import ROUNDING_MM, Member, Piece, Rim, Variant, hull_of
from tracer.panel.rules import Rules

__all__ = ["Source", "kin_of", "pieces_of", "standing_turn_rad", "ways_of"]

Array = NDArray[np.float64]

#: letters keep this from edges and one another (`tracer.panel.fittings.labels`), and from the rim
_LETTER_AIR_MM, _LETTER_RIM_MM = 2.0, 5.0
#: shapes of envelopes are simplified outwards by this
_COARSE_MM = 0.3
_ROOM_MM = 5000.0
#: a tool whose third moment along its side is less than this has no heavier end
_LEVEL = 0.12
#: like shapes: mean difference of their widths along the axis, as a share of the length
_ALIKE = 0.035
_STATIONS = 24


@dataclass(frozen=True, eq=False)
class Source:
    """A pocket in its own frame with how its tool lay and what was said of it."""

    pocket: PanelPocket
    lie: Placement
    outline: Polygon
    daily: bool = False


@dataclass(frozen=True, eq=False)
class _Setting:
    """What all pieces share."""

    plan: PanelPlan
    bay: Bay
    plies: tuple[Ply, ...]
    rules: Rules
    gap_mm: float
    rim: Rim


def standing_turn_rad(lie: Placement, region: Polygon) -> tuple[float, bool]:
    """Turn from how a tool lay that stands its long side upright; and whether it has one.

    A compact tool is turned by less than 45 degrees, until its least box is level.
    """
    there = lie.apply_polygon(region)
    axis = axis_rad(there)
    if axis is None:
        return _levelling_rad(there), False
    turn = math.pi / 2 - axis
    return (turn - math.pi if turn > math.pi / 2 else turn), True


def _levelling_rad(shape: Polygon) -> float:
    ring = shapely.get_coordinates(shape.minimum_rotated_rectangle)
    if len(ring) < 3:
        return 0.0
    x, y = ring[1] - ring[0]
    angle = math.atan2(y, x)
    return round(angle / (math.pi / 2)) * (math.pi / 2) - angle


def pieces_of(
    sources: Sequence[Source],
    plan: PanelPlan,
    bay: Bay,
    plies: tuple[Ply, ...],
    rules: Rules,
    *,
    gap_mm: float,
    rim: Rim,
    locked: Mapping[str, float] | None = None,
) -> tuple[Piece, ...]:
    """Pieces in the order of their first tools; tools that share a slot become one piece.

    ``locked`` are turns of tools that stay, by id; such a piece has that one turn.
    """
    locked = locked or {}
    setting = _Setting(plan, bay, plies, rules, gap_mm, rim)
    by_id = {s.pocket.pocket_id: s for s in sources}
    groups: list[list[Source]] = []
    taken: set[str] = set()
    for slot in plan.slots:
        members = [
            by_id[i] for i in slot.pocket_ids if i in by_id and i not in taken and i not in locked
        ]
        if len(members) > 1:
            groups.append(members)
            taken |= {m.pocket.pocket_id for m in members}
    groups += [[s] for s in sources if s.pocket.pocket_id not in taken]
    order = {s.pocket.pocket_id: n for n, s in enumerate(sources)}
    groups.sort(key=lambda g: order[g[0].pocket.pocket_id])
    kin = kin_of([g[0].pocket for g in groups])
    ways = ways_of([_standing(g[0]) for g in groups], kin)
    return tuple(
        _piece(g, k, way, setting, locked.get(g[0].pocket.pocket_id))
        for g, k, way in zip(groups, kin, ways, strict=True)
    )


def _piece(
    group: Sequence[Source], kin: str, way: int, setting: _Setting, locked_deg: float | None
) -> Piece:
    first = group[0]
    turn, long = standing_turn_rad(first.lie, first.pocket.region)
    members, at = [Member(first.pocket.pocket_id)], 0.0
    for before, source in itertools.pairwise(group):
        # side by side at the gap, middles level: the slot runs straight across
        widths = [_standing(s).bounds for s in (before, source)]
        at += sum(b[2] - b[0] for b in widths) / 2 + setting.gap_mm
        members.append(Member(source.pocket.pocket_id, at))
    turns = [k * math.pi / 2 for k in range(4)]
    if locked_deg is not None:
        turns = [math.radians(locked_deg) - turn]
    variants = tuple(_variant(group, members, angle, setting) for angle in turns)
    area = sum(s.pocket.region.area for s in group)
    known = all(s.pocket.mass_kg is not None for s in group)
    mass = sum(
        s.pocket.mass_kg
        if s.pocket.mass_kg is not None
        # steel and wood mixed, half of the box full: only for the order of tools without a mass
        else s.pocket.region.area * s.pocket.height_mm * 2e-6
        for s in group
    )
    return Piece(
        members=tuple(members),
        variants=variants,
        long=long or len(group) > 1,
        way=way if long else 0,
        kin=kin,
        size_mm=float(math.sqrt(area)),
        mass_kg=float(mass),
        daily=any(s.daily for s in group),
        known_mass=known,
    )


def _standing(source: Source) -> Polygon:
    turn, _ = standing_turn_rad(source.lie, source.pocket.region)
    turned = Placement(0.0, 0.0, turn)
    return source.lie.then(turned).apply_polygon(source.pocket.region)


def _variant(
    group: Sequence[Source], members: Sequence[Member], angle: float, s: _Setting
) -> Variant:
    """The piece turned by an angle from standing upright."""
    pockets, turns = [], []
    for source, member in zip(group, members, strict=True):
        own, _ = standing_turn_rad(source.lie, source.pocket.region)
        turns.append((math.degrees(own + angle) + 180.0) % 360.0 - 180.0)
        place = source.lie.then(Placement(0.0, 0.0, own))
        x, y = middle(place.apply_polygon(source.pocket.region).bounds)
        place = place.then(Placement(member.x_mm - x, member.y_mm - y))
        place = place.then(Placement(0.0, 0.0, angle))
        pockets.append(_put(source.pocket, place))
    # every place counts from the middle of the first opening's box at this turn
    x, y = middle(pockets[0].region.bounds)
    back = Placement(-x, -y)
    pockets = [_put(o.pocket, p.placement.then(back)) for o, p in zip(group, pockets, strict=True)]
    fitted = _fitted_out(pockets, group, s)
    rules = s.rules
    tool = shapely.union_all([p.region for p in fitted])
    cuts = shapely.union_all([opening(p) for p in fitted])
    label = shapely.union_all(
        [_letters(p, s.gap_mm) for p in fitted if p.label is not None] or [Polygon()]
    )
    heavy = _screws(fitted, rules) if s.bay.kind is BayKind.WALL else []
    half_air = _LETTER_AIR_MM / 2
    envelope = hull_of(
        [
            tool.buffer(s.gap_mm / 2 + ROUNDING_MM),
            cuts.buffer(rules.web_mm / 2 + ROUNDING_MM),
            label.buffer(half_air + ROUNDING_MM, join_style="mitre"),
            *heavy,
        ]
    )
    envelope = hull_of([envelope.buffer(_COARSE_MM).simplify(_COARSE_MM)])
    edge = s.plan.placement.edge_mm
    edge = rules.edge_mm if edge is None else edge
    reach = np.max(
        [
            _support(s.rim.normals, tool) + edge,
            _support(s.rim.normals, cuts) + rules.web_least_mm,
            _support(s.rim.normals, label) + _LETTER_RIM_MM,
        ],
        axis=0,
    )
    seats = tuple((*middle(p.region.bounds), turn) for p, turn in zip(pockets, turns, strict=True))
    stands = (math.degrees(angle) + 180.0) % 360.0 - 180.0
    return Variant(turns[0], tool, cuts, label, envelope, reach + ROUNDING_MM, seats, stands)


def _put(pocket: PanelPocket, place: Placement) -> PanelPocket:
    return replace(
        pocket,
        placement=place,
        outline=place.apply_polygon(pocket.outline),
        region=place.apply_polygon(pocket.region),
        wall=place.apply_polygon(pocket.wall),
    )


def _fitted_out(
    pockets: Sequence[PanelPocket], group: Sequence[Source], s: _Setting
) -> tuple[PanelPocket, ...]:
    """Pockets with wells, notches and labels on a panel with room on all sides."""
    ids = {p.pocket_id for p in pockets}
    plan = replace(s.plan, slots=tuple(x for x in s.plan.slots if set(x.pocket_ids) <= ids))
    lies = {g.pocket.pocket_id: (g.lie, g.outline) for g in group}
    room = box(-_ROOM_MM, -_ROOM_MM, _ROOM_MM, _ROOM_MM)
    panel = Panel("", 1, s.bay, room, s.plies, tuple(pockets))
    panel = replace(panel, pockets=add_wells(panel, lies, plan, s.rules))
    panel = replace(panel, pockets=add_notches(panel, lies, plan, s.rules))
    return add_labels(panel, plan, s.rules) if plan.labels else panel.pockets


def _letters(pocket: PanelPocket, gap_mm: float) -> BaseGeometry:
    """Room for the label: number and name where that is little wider than the tool, else the
    number alone; the panel still writes the name where there happens to be room.
    """
    assert pocket.label is not None
    whole = label_box(pocket.label)
    x0, _, x1, _ = pocket.region.bounds
    if whole.bounds[2] - whole.bounds[0] <= x1 - x0 + 0.8 * gap_mm:
        return whole
    number = replace(pocket.label, text=str(pocket.number))
    short = label_box(number)
    width = short.bounds[2] - short.bounds[0]
    return affinity.translate(short, (x0 + x1 - width) / 2 - short.bounds[0], 0.0)


def _screws(pockets: Sequence[PanelPocket], rules: Rules) -> list[BaseGeometry]:
    """Sound foam on both sides of a heavy tool for the screws that carry it."""
    out: list[BaseGeometry] = []
    for p in pockets:
        if p.mass_kg is not None and p.mass_kg >= rules.heavy_kg:
            x0, y0, x1, y1 = opening(p).bounds
            aside = rules.fixing_clear_mm
            out += [Point(x, (y0 + y1) / 2).buffer(aside) for x in (x0 - aside, x1 + aside)]
    return out


def _support(normals: Array, shape: BaseGeometry) -> Array:
    if shape.is_empty:
        return np.full(len(normals), -np.inf)
    found: Array = (normals @ shapely.get_coordinates(shape).T).max(axis=1)
    return found


# -- what tools are like --------------------------------------------------------------------------


def _widths(shape: Polygon) -> tuple[Array, Array]:
    """Width of an upright shape at stations along its length, and the stations' heights."""
    x0, y0, x1, y1 = shape.bounds
    y = y0 + (np.arange(_STATIONS) + 0.5) * (y1 - y0) / _STATIONS
    lines = shapely.linestrings([[(x0 - 1, v), (x1 + 1, v)] for v in y])
    return shapely.length(shapely.intersection(Polygon(shape.exterior), lines)), y


def _way(shape: Polygon) -> int:
    """Which end of an upright tool is the heavier one, by the third moment along it."""
    widths, y = _widths(shape)
    mean = float(np.average(y, weights=widths))
    spread = math.sqrt(float(np.average((y - mean) ** 2, weights=widths)))
    skew = float(np.average((y - mean) ** 3, weights=widths)) / max(spread, 1e-9) ** 3
    # the long thin end is the tail: the heavy end lies the other way
    return 0 if abs(skew) < _LEVEL else -1 if skew > 0 else 1


def ways_of(standing: Sequence[Polygon], kin: Sequence[str]) -> list[int]:
    """Which end of each upright tool is the heavier one; of like tools, the same end.

    A spanner's ring may outweigh its jaw or not: within a kin every tool is held against the first
    one, as it stands and upside down.
    """
    firsts: dict[str, tuple[Array, int]] = {}
    found = []
    for shape, name in zip(standing, kin, strict=True):
        widths, _ = _widths(shape)
        widths = widths / max(float(widths.mean()), 1e-9)
        if name not in firsts:
            firsts[name] = widths, _way(shape)
            found.append(firsts[name][1])
            continue
        other, way = firsts[name]
        same = float(np.abs(widths - other).sum()) <= float(np.abs(widths[::-1] - other).sum())
        # like tools without a heavier end still face one way
        found.append(way if same else -way)
    return found


_SIZE = re.compile(r"[\d.,/x×]+|\b(?:mm|cm|in|inch|t|no)\b|[\"'#()-]")


def _stem(name: str) -> str:
    return " ".join(_SIZE.sub(" ", name.lower()).split())


def kin_of(pockets: Sequence[PanelPocket]) -> list[str]:
    """A group for every pocket: by its name without figures, else by its shape."""
    stems = [_stem(p.name) for p in pockets]
    told = [
        bool(s) and p.name != p.outline_id and len(s) > 2
        for s, p in zip(stems, pockets, strict=True)
    ]
    found: list[str] = []
    seen: list[tuple[str, Array, float]] = []
    for pocket, stem, by_name in zip(pockets, stems, told, strict=True):
        if by_name:
            found.append(stem)
            continue
        axis = axis_rad(pocket.region)
        turned = affinity.rotate(
            pocket.region, 0.0 if axis is None else math.pi / 2 - axis, use_radians=True
        )
        widths, y = _widths(turned)
        length = float(y[-1] - y[0]) * _STATIONS / (_STATIONS - 1)
        profile = widths / length
        for kin, other, _ in seen:
            same = min(np.abs(profile - other).mean(), np.abs(profile[::-1] - other).mean())
            if same < _ALIKE * max(1.0, float(other.mean()) / 0.2):
                found.append(kin)
                break
        else:
            kin = f"shape {len(seen) + 1}"
            seen.append((kin, profile, length))
            found.append(kin)
    return found
