"""What is cut from behind, what is cut out for mounts, and what is drilled into the board.

The back is the panel turned over like a page: x -> W - x with W the width of the panel's box. The
front is cut first; its edge then lies against the stop, the corner that was lower right at the
front now lower left.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon
from shapely.geometry.polygon import orient

from tracer.geometry.rings import largest_polygon
from tracer.model.drawing import Layer, Operation
from tracer.model.machine import Machine
from tracer.model.panel import Panel, PlyRole, Slab, Tile
from tracer.model.report import Check, Severity
from tracer.model.sheet import Feature, SheetText, SheetWork

__all__ = ["back_sheets", "mirrored_region", "opening_features", "pilot_features"]

_EPS_MM = 1e-3
_CAP_MM, _RIM_MM = 6.0, 4.0
#: rooms are cut for cables: their walls need no more
_TOLERANCE_MM = 0.02


def mirrored_region(region: Polygon, width_mm: float) -> Polygon:
    """A region seen from behind; mirrored twice it is the region again.

    Examples
    --------
    >>> mirrored_region(Polygon([(1, 0), (4, 0), (4, 2)]), 10.0).bounds
    (6.0, 0.0, 9.0, 2.0)
    """
    flipped = affinity.affine_transform(region, [-1.0, 0.0, 0.0, 1.0, width_mm, 0.0])
    return orient(flipped)


def _is_face(slab: Slab) -> bool:
    return slab.plies[0].role is PlyRole.FACE


def opening_features(panel: Panel, slab: Slab) -> list[Feature]:
    """Cut-outs for mounts in every foam; rooms that a whole layer of the face makes."""
    if slab.plies[0].role is PlyRole.BACKING:
        return []
    found = [
        Feature(Layer(Operation.THROUGH), m.opening, m.mount_id)
        for m in panel.mounts
        if m.opening is not None
    ]
    found += [
        Feature(Layer(Operation.THROUGH), c.whole, c.cavity_id, tolerance_mm=_TOLERANCE_MM)
        for c in panel.back_cavities
        if _is_face(slab) and slab.front_mm >= c.skin_mm - _EPS_MM
    ]
    return found


def pilot_features(panel: Panel) -> list[Feature]:
    """Pilot holes of the mounts in the backing board."""
    return [
        Feature(
            Layer(Operation.FIXING),
            Point(h.x_mm, h.y_mm).buffer(h.pilot_mm / 2, quad_segs=32),
            f"{m.mount_id} hole {n}",
        )
        for m in panel.mounts
        for n, h in enumerate(m.holes, start=1)
    ]


def back_sheets(panel: Panel, machine: Machine) -> tuple[list[SheetWork], tuple[Check, ...]]:
    """Work on the back of every piece of the face that a cable room is cut into."""
    width = panel.size_mm[0] + panel.shape.bounds[0] * 2
    sheets: list[SheetWork] = []
    checks: list[Check] = []
    for slab in panel.slabs:
        features = _back_features(panel, slab) if _is_face(slab) else []
        tiles = [t for t in panel.tiles if t.slab == slab.index]
        for tile in tiles if features else ():
            own = [_clipped(f, tile.region, width) for f in features if _in(f, tile)]
            if not own:
                continue
            sheets.append(_work(panel, slab, tile, own, width, len(tiles) > 1))
            x0, y0, x1, y1 = tile.region.bounds
            size = (x1 - x0, y1 - y0)
            if not any(
                a <= machine.bed_mm[0] and b <= machine.bed_mm[1] for a, b in (size, size[::-1])
            ):
                checks.append(_exceeds(slab, machine, max(size)))
    return sheets, tuple(checks)


def _back_features(panel: Panel, slab: Slab) -> list[Feature]:
    """Rooms in a slab, panel frame, as deep as they are from behind; those that meet as one."""
    rooms: dict[float, list[Polygon]] = {}
    owners: dict[float, list[str]] = {}
    for c in panel.back_cavities:
        if slab.front_mm >= c.skin_mm - _EPS_MM or slab.back_mm <= c.skin_mm + _EPS_MM:
            continue
        depth = round(slab.back_mm - c.skin_mm, 3)
        rooms.setdefault(depth, []).append(c.whole)
        owners.setdefault(depth, []).append(c.cavity_id)
    found = []
    for depth, regions in rooms.items():
        united = shapely.union_all(regions)
        for part in getattr(united, "geoms", [united]):
            ids = [
                i
                for i, r in zip(owners[depth], regions, strict=True)
                if part.intersection(r).area > 1
            ]
            found.append(
                Feature(
                    Layer(Operation.BACK_CAVITY, depth),
                    part,
                    "+".join(ids),
                    tolerance_mm=_TOLERANCE_MM,
                )
            )
    return found


def _in(feature: Feature, tile: Tile) -> bool:
    return float(feature.region.intersection(tile.region).area) > 1.0


def _clipped(feature: Feature, area: Polygon, width_mm: float) -> Feature:
    region = feature.region
    if not area.contains(region):
        region = largest_polygon(region.intersection(area))
    return Feature(
        feature.layer,
        mirrored_region(region, width_mm),
        feature.subject_id,
        tolerance_mm=feature.tolerance_mm,
    )


def _work(
    panel: Panel,
    slab: Slab,
    tile: Tile,
    features: Sequence[Feature],
    width_mm: float,
    many_tiles: bool,
) -> SheetWork:
    stock = slab.plies[0].stock
    key = slab.name + (f"-tile{tile.number}" if many_tiles else "")
    title = f"{panel.title}, {slab.plies[0].role.value}, {stock.colour} {slab.thickness_mm:g} mm"
    window = mirrored_region(tile.region, width_mm).bounds
    texts = [
        SheetText(
            "BACK, turned over like a page: this corner was lower right at the front",
            window[0] + _RIM_MM,
            window[1] + _RIM_MM,
            _CAP_MM,
            "back",
        )
    ]
    texts += [_depth_text(f) for f in features]
    return SheetWork(
        key=key,
        title=f"{title}, BACK seen from behind (mirrored)",
        stock=stock,
        role=PlyRole.FACE,
        thickness_mm=slab.thickness_mm,
        edge=None,
        window_mm=window,
        features=tuple(features),
        outlines=tuple(
            (p.pocket_id, mirrored_region(p.outline, width_mm))
            for p in panel.pockets
            if tile.region.contains(p.outline.representative_point())
        ),
        texts=tuple(texts),
        side="back",
    )


def _depth_text(feature: Feature) -> SheetText:
    at = feature.region.representative_point()
    depth = feature.layer.depth_mm or 0.0
    return SheetText(
        f"{feature.subject_id} {depth:g}",
        float(at.x),
        float(at.y) - _CAP_MM / 2,
        float(np.clip(_CAP_MM, 3.0, 8.0)),
        feature.subject_id,
        centred=True,
    )


def _exceeds(slab: Slab, machine: Machine, longest_mm: float) -> Check:
    return Check(
        slug="back-exceeds-bed",
        severity=Severity.FAIL,
        sentence=f"The back of layer {slab.index + 1} does not lie on the bed of the "
        f"{machine.title} as one piece, and it is not parted.",
        remedy="Name smaller sheets in the plan, or cut its cable rooms by hand from the template.",
        value=longest_mm,
        limit=max(machine.bed_mm),
        unit="mm",
    )
