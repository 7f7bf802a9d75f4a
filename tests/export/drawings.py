"""Drawings for tests of files: pockets of several kinds on one sheet."""

from __future__ import annotations

from functools import cache

import numpy as np
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.geometry.shapes import hex_key, spanner
from tracer.export.drawing.cut_drawing import draw_cut, draw_reference
from tracer.export.machine.profiles import read_machine
from tracer.model.drawing import Drawing
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.pocket import Pocket, PocketRule
from tracer.panel.pocket.pockets import make_pocket

SIZE_MM = (520.0, 240.0)


def regions() -> dict[str, Polygon]:
    """A spanner, a key, a ring with an island and a socket, in a frame that is not the sheet's."""
    placed = {
        "T01": affinity.rotate(spanner(), 8, origin=(0, 0)),
        "T02": affinity.translate(hex_key(), 40, 60),
        "T03": Point(260, 125).buffer(48, 64).difference(Point(260, 125).buffer(30, 64)),
        "T04": Point(380, 140).buffer(14, 64),
    }
    return {name: affinity.translate(shape, -90, 30) for name, shape in placed.items()}


@cache
def pockets(radius: float = 0.0) -> tuple[Pocket, ...]:
    """Pockets of the regions: through, and at two depths."""
    depths = {"T01": None, "T02": 12.0, "T03": 12.0, "T04": 20.0}
    return tuple(
        make_pocket(
            region,
            PocketRule(fit_mm=0.8, depth_mm=depths[name], cutter_radius_mm=radius),
            pocket_id=name,
        ).pocket
        for name, region in regions().items()
    )


@cache
def cut_drawing(machine_name: str = "router") -> Drawing:
    """What is cut."""
    machine = read_machine(machine_name)
    return draw_cut(
        pockets(machine.inside_radius_mm),
        title="Bench, front",
        origin_mm=(-140, 0),
        size_mm=SIZE_MM,
        machine=machine,
    )


@cache
def reference_drawing() -> Drawing:
    """What lies beside it."""
    return draw_reference(pockets(), cut_drawing())[0]


def outline(region: Polygon, number: int = 1, sigma: float = 0.3) -> Outline:
    """An outline of a region."""
    ring = np.full(len(region.exterior.coords) - 1, sigma)
    return Outline(
        outline_id=f"T{number:02d}",
        name=f"tool {number}",
        region=region,
        height_mm=12.0,
        height_source=HeightSource.TYPED,
        method=EdgeModel.MID,
        sigma_mm=sigma,
        sigma_ring_mm=ring,
        bias_bound_mm=0.1,
        confidence=1.0,
        photo_ids=("p",),
        point_px=(10.0 * number, 5.0),
    )


def square_file(side: float = 100.0) -> Polygon:
    """A square."""
    return box(0, 0, side, side)
