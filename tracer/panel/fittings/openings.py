"""What is open where: all cuts of a pocket together, per slab, and what lies near a place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import shapely
from shapely import STRtree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Panel, PanelPocket, PlyRole, Slab

__all__ = ["Near", "beside_pockets", "opening", "openings_in", "parts"]

_EPS_MM = 1e-6


def parts(pocket: PanelPocket) -> list[tuple[Polygon, float]]:
    """Each cut of a pocket with its depth: the pocket itself, wells, notches."""
    return [
        (pocket.region, pocket.cut_depth_mm),
        *((well.region, well.depth_mm) for well in pocket.wells),
        *((notch.region, notch.depth_mm) for notch in pocket.notches),
    ]


def opening(pocket: PanelPocket, deeper_than_mm: float = 0.0) -> BaseGeometry:
    """All cuts of a pocket that reach deeper than a depth, as one region."""
    deep = [region for region, depth in parts(pocket) if depth > deeper_than_mm + _EPS_MM]
    return deep[0] if len(deep) == 1 else shapely.union_all(deep)


def beside_pockets(panel: Panel) -> list[BaseGeometry]:
    """What takes room in the face beside pockets: keep-outs, emblems, mounts, ledges."""
    found: list[BaseGeometry] = [k.region for k in panel.keep_outs]
    found += [i.region for i in panel.inlays]
    bodies = [m.opening or m.body for m in panel.mounts]
    found += [b for b in bodies if b is not None]
    return found + [one.region for one in panel.ledges]


def openings_in(panel: Panel, slab: Slab) -> list[BaseGeometry]:
    """What is cut into a slab, or shows on it through the one in front."""
    shows = slab.plies[0].role is PlyRole.BASE
    front = slab.front_mm - (2 * _EPS_MM if shows else 0.0)
    found = [opening(p, front) for p in panel.pockets]
    found += [k.region for k in panel.keep_outs if k.hole]
    found += [i.region for i in panel.inlays if i.depth_mm > front + _EPS_MM]
    if slab.plies[0].role is not PlyRole.BACKING:
        found += [m.opening for m in panel.mounts if m.opening]
    face = panel.face_mm
    found += [
        c.whole for c in panel.back_cavities if slab.front_mm < face and slab.back_mm > c.skin_mm
    ]
    return [o for o in found if not o.is_empty]


class Near:
    """Regions that can be asked for what lies near a shape."""

    def __init__(self, regions: Iterable[BaseGeometry] = ()) -> None:
        self._regions: list[BaseGeometry] = list(regions)
        self._tree: STRtree | None = None

    def add(self, region: BaseGeometry) -> None:
        """One more region."""
        self._regions.append(region)
        self._tree = None

    def within(
        self, shape: BaseGeometry, distance_mm: float, but: Sequence[BaseGeometry] = ()
    ) -> list[BaseGeometry]:
        """Regions nearer than a distance, without those given in ``but`` (by identity)."""
        if self._tree is None:
            self._tree = STRtree(self._regions)
        hits = self._tree.query(shape, predicate="dwithin", distance=distance_mm)
        near = [self._regions[int(i)] for i in sorted(hits)]
        return [r for r in near if not any(r is b for b in but)]
