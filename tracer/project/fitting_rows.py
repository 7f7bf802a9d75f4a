"""What a panel has beside pockets, as it stands in ``panel.json``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.sound import sound_area
from tracer.model.fittings import BackCavity, DrillHole, Inlay, Ledge, Mount, Rail
from tracer.model.stack import Stock

__all__ = [
    "CavityRow",
    "InlayRow",
    "LedgeRow",
    "MountRow",
    "cavity_in",
    "cavity_out",
    "inlay_in",
    "inlay_out",
    "ledge_in",
    "ledge_out",
    "mount_in",
    "mount_out",
    "rail_out",
]

Shape = dict[str, Any]
Out = Callable[[BaseGeometry | None], Shape | None]
In = Callable[[Shape], Polygon]


@dataclass(frozen=True)
class InlayRow:
    """An emblem; what stands behind ``stock`` came later and may be missing."""

    inlay_id: str
    region: Shape
    stock: Stock
    name: str = ""
    depth_mm: float = 0.0
    press_mm: float = 0.0
    through: bool = False
    loose: tuple[Shape, ...] = ()


@dataclass(frozen=True)
class CavityRow:
    """Room for a cable; what stands behind ``exit`` came later and may be missing."""

    cavity_id: str
    skin_mm: float
    region: Shape
    exit: Shape | None
    name: str = ""
    cable_mm: float = 0.0
    length_mm: float = 0.0
    bend_mm: float = 0.0
    pocket_id: str = ""


@dataclass(frozen=True)
class MountRow:
    """A thing screwed to the board."""

    mount_id: str
    name: str
    holes: tuple[DrillHole, ...]
    body: Shape | None
    opening: Shape | None
    powered: bool
    air_mm: float
    mass_kg: float | None


@dataclass(frozen=True)
class LedgeRow:
    """A ledge."""

    ledge_id: str
    name: str
    region: Shape
    room: Shape
    out_mm: float
    mass_kg: float | None


def inlay_out(i: Inlay, out: Out) -> dict[str, Any]:
    """An emblem as plain values."""
    return {
        "inlay_id": i.inlay_id,
        "name": i.name,
        "depth_mm": i.depth_mm,
        "press_mm": i.press_mm,
        "through": i.through,
        "stock": asdict(i.stock),
        "region": out(i.region),
        "loose": [out(p) for p in i.loose],
    }


def inlay_in(row: InlayRow, shape: In) -> Inlay:
    """An emblem of plain values."""
    return Inlay(
        row.inlay_id,
        sound_area(row.region),
        row.stock,
        row.name,
        row.depth_mm,
        row.press_mm,
        row.through,
        tuple(shape(p) for p in row.loose),
    )


def cavity_out(c: BackCavity, out: Out) -> dict[str, Any]:
    """A cable room as plain values."""
    return {
        "cavity_id": c.cavity_id,
        "name": c.name,
        "skin_mm": c.skin_mm,
        "cable_mm": c.cable_mm,
        "length_mm": c.length_mm,
        "bend_mm": round(c.bend_mm, 3),
        "pocket_id": c.pocket_id,
        "region": out(c.region),
        "exit": out(c.exit),
    }


def cavity_in(row: CavityRow, shape: In) -> BackCavity:
    """A cable room of plain values."""
    return BackCavity(
        row.cavity_id,
        shape(row.region),
        row.skin_mm,
        None if row.exit is None else shape(row.exit),
        row.name,
        row.cable_mm,
        row.length_mm,
        row.bend_mm,
        row.pocket_id,
    )


def mount_out(m: Mount, out: Out) -> dict[str, Any]:
    """A mount as plain values."""
    return {
        "mount_id": m.mount_id,
        "name": m.name,
        "powered": m.powered,
        "air_mm": m.air_mm,
        "mass_kg": m.mass_kg,
        "holes": [_hole(h) for h in m.holes],
        "body": out(m.body),
        "opening": out(m.opening),
    }


def mount_in(row: MountRow, shape: In) -> Mount:
    """A mount of plain values."""
    return Mount(
        row.mount_id,
        row.name,
        row.holes,
        None if row.body is None else shape(row.body),
        None if row.opening is None else shape(row.opening),
        row.powered,
        row.air_mm,
        row.mass_kg,
    )


def ledge_out(one: Ledge, out: Out) -> dict[str, Any]:
    """A ledge as plain values."""
    return {
        "ledge_id": one.ledge_id,
        "name": one.name,
        "out_mm": one.out_mm,
        "mass_kg": one.mass_kg,
        "region": out(one.region),
        "room": out(one.room),
    }


def ledge_in(row: LedgeRow, shape: In) -> Ledge:
    """A ledge of plain values."""
    return Ledge(
        row.ledge_id, row.name, shape(row.region), shape(row.room), row.out_mm, row.mass_kg
    )


def rail_out(rail: Rail | None) -> dict[str, Any] | None:
    """A rest rail as plain values."""
    if rail is None:
        return None
    return {**asdict(rail), "holes": [_hole(h) for h in rail.holes]}


def _hole(hole: DrillHole) -> dict[str, float]:
    return {name: round(value, 3) for name, value in asdict(hole).items()}
