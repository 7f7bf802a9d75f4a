"""The walls really cut: pockets of a lay written to a file, and read back from it with ezdxf."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import ezdxf
import numpy as np
import shapely
from ezdxf import path as ezpath
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tests.benchmarks.fit_motion import SignedDistance, along_rings
from tracer.export.drawing.cut_drawing import draw_cut
from tracer.export.verify import verified_dxf
from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.workflows.cutting.cut import CutOptions, cut_dxf_options, lay_pockets

__all__ = ["CutTool", "cut_tools"]

Array = NDArray[np.float64]
FLAT_MM = 0.002
#: a joint whose tangents differ by more than this is a kink
KINK_RAD = math.radians(6.0)
WALL_LAYERS = ("through", "pocket")


@dataclass(frozen=True, eq=False)
class CutTool:
    """A pocket as the file holds it.

    Attributes
    ----------
    outline_id
        Whose pocket.
    region
        What is cut away, islands left out, in the outlines' frame.
    pieces, kinks
        Lines and arcs of the wall, and joints with a break of more than 6 degrees.
    wall_error_mm
        Mean signed distance of the file's wall from the wall asked for; positive: outside.
    probability
        With which the tool goes in, as the cut states it.
    limited
        Cut at the limit, and said so.
    """

    outline_id: str
    region: BaseGeometry
    pieces: int
    kinks: int
    wall_error_mm: float
    probability: float
    limited: bool


def cut_tools(
    outlines: Sequence[Outline], options: CutOptions
) -> tuple[list[CutTool], tuple[Check, ...]]:
    """Cut a lay as photographed; pockets by outline and what the cut remarked."""
    made = lay_pockets(outlines, options)
    if not made.pockets:
        return [], made.checks
    x0, y0 = np.floor(np.min([p.region.bounds[:2] for p in made.pockets], axis=0) - 30)
    x1, y1 = np.ceil(np.max([p.region.bounds[2:] for p in made.pockets], axis=0) + 30)
    drawing = draw_cut(
        made.pockets,
        title="fit",
        origin_mm=(float(x0), float(y0)),
        size_mm=(float(x1 - x0), float(y1 - y0)),
        machine=options.machine,
    )
    grow = drawing.kerf.compensated_mm
    curves = read_walls(verified_dxf(drawing, cut_dxf_options(options)))
    found = []
    at_limit = {c.subject_id for c in made.checks if c.slug == "pocket-at-limit"}
    for pocket, room in zip(made.pockets, made.rooms, strict=True):
        inside = pocket.outline.representative_point()
        place = shapely.affinity.translate(inside, -x0, -y0)
        own = [c for c in curves if c.region.contains(place)]
        wall = min(own, key=lambda c: c.region.area)
        islands = [
            c.region
            for c in curves
            if c is not wall and wall.region.contains(c.region) and c not in own
        ]
        region = wall.region.buffer(grow) if grow else wall.region
        region = region.difference(shapely.union_all(islands)) if islands else region
        region = shapely.affinity.translate(region, x0, y0)
        error, _ = SignedDistance(pocket.wanted)(along_rings(Polygon(_largest(region).exterior), 1))
        found.append(
            CutTool(
                pocket.pocket_id,
                region,
                wall.pieces,
                wall.kinks,
                float(error.mean()),
                room.probability,
                pocket.pocket_id in at_limit,
            )
        )
    return found, made.checks


def _largest(region: BaseGeometry) -> Polygon:
    parts = [p for p in getattr(region, "geoms", [region]) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area)


@dataclass(frozen=True, eq=False)
class Curve:
    """A closed curve of the file."""

    region: Polygon
    pieces: int
    kinks: int


def read_walls(data: bytes) -> list[Curve]:
    """Closed curves on the layers that are cut, arcs opened by ezdxf."""
    drawing = ezdxf.read(io.StringIO(data.decode("utf-8")))
    found = []
    for entity in drawing.modelspace():
        if not entity.dxf.layer.lower().startswith(WALL_LAYERS):
            continue
        points = [(p.x, p.y) for p in ezpath.make_path(entity).flattening(FLAT_MM)]
        vertices = np.array(entity.get_points("xyb")) if entity.dxftype() == "LWPOLYLINE" else None
        pieces, kinks = (1, 0) if vertices is None else (len(vertices), _kinks(vertices))
        found.append(Curve(Polygon(points).buffer(0), pieces, kinks))
    return found


def _kinks(vertices: Array) -> int:
    """Joints (x, y, bulge) at which the direction breaks."""
    x, y, bulge = vertices.T
    heading = np.arctan2(np.roll(y, -1) - y, np.roll(x, -1) - x)
    half = 2 * np.arctan(bulge)
    leaves, arrives = heading - half, heading + half
    turn = (leaves - np.roll(arrives, 1) + math.pi) % (2 * math.pi) - math.pi
    return int((np.abs(turn) > KINK_RAD).sum())
