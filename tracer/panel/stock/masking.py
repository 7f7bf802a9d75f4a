"""Cut-outs that are kept and put back while glue is sprayed: they mask what is to stay clean.

Only what is cut right through a layer gives a piece; what is cut to a depth leaves its floor.
"""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.bill import MaskingPiece
from tracer.model.panel import Panel, PlyRole, Slab
from tracer.panel.fittings.openings import parts

__all__ = ["masking_pieces"]

_EPS_MM = 1e-6


def masking_pieces(panel: Panel) -> tuple[MaskingPiece, ...]:
    """Pieces of a panel by opening and layer; none where nothing is glued.

    A piece is numbered as its opening; where the face comes in layers, with the layer behind it.
    """
    foams = [s for s in panel.slabs if s.plies[0].role is not PlyRole.BACKING]
    glued = len(panel.slabs) > 1
    faces = [s for s in foams if s.plies[0].role is PlyRole.FACE]
    found: list[MaskingPiece] = []
    for number, name, cuts in _openings(panel):
        for slab in faces if glued else []:
            region = _through(cuts, slab)
            if not region.is_empty:
                mark = number if len(faces) == 1 else f"{number}/{slab.index + 1}"
                found.append(MaskingPiece(mark, name, slab.index + 1, region))
    return tuple(found)


def _openings(
    panel: Panel,
) -> Iterator[tuple[str, str, list[tuple[BaseGeometry, float]]]]:
    for pocket in panel.pockets:
        yield str(pocket.number), pocket.name, [(r, d) for r, d in parts(pocket)]
    for inlay in panel.inlays:
        yield inlay.inlay_id, inlay.name, [(inlay.region, inlay.depth_mm)]
    for mount in panel.mounts:
        if mount.opening is not None:
            yield mount.mount_id, mount.name, [(mount.opening, panel.thickness_mm())]


def _through(cuts: list[tuple[BaseGeometry, float]], slab: Slab) -> Polygon:
    """What falls out of a layer: its through cuts as one piece, islands within it left to it."""
    deep = [region for region, depth in cuts if depth >= slab.back_mm - _EPS_MM]
    return largest_polygon(shapely.union_all(deep)) if deep else Polygon()
