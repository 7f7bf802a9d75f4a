"""Panels of the bicycle workshop for inspection: true outlines of rendered scenes, arranged."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon

from tracer import api
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.panel import Panel, PlyRole, Stock
from tracer.model.panel_plan import PanelPlan, PlyPlan

__all__ = ["FOAMS", "PALE", "SAMPLES", "panel_of_scene"]

SAMPLES = Path(__file__).parents[2] / "sample_images"

#: face and floor: name and sRGB; foam colours that dealers have, common practice, no source
FOAMS: dict[str, tuple[tuple[str, tuple[int, int, int]], tuple[str, tuple[int, int, int]]]] = {
    "grey on yellow": (("dark grey", (55, 55, 58)), ("yellow", (240, 210, 20))),
    "black on red": (("black", (32, 32, 34)), ("red", (200, 30, 35))),
    "blue on orange": (("blue", (30, 70, 140)), ("orange", (235, 110, 20))),
}
#: a floor of no colour under tools of bare steel: too little to tell them apart, told apart
PALE = {"blue on white": (("blue", (30, 70, 140)), ("white", (232, 232, 226)))}


def outlines_of_scene(folder: Path) -> list[Outline]:
    """True outlines of a rendered scene's tools, as if traced without fault."""
    tools = json.loads((folder / "truth.json").read_text("utf-8"))["tools"]
    return [
        Outline(
            outline_id=t["id"],
            name=t["name"],
            region=Polygon(t["outline"]["exterior"], t["outline"]["holes"]).buffer(0),
            height_mm=float(t["height_mm"]),
            height_source=HeightSource.TYPED,
            method=EdgeModel.MID,
            sigma_mm=0.2,
            sigma_ring_mm=np.empty(0),
            bias_bound_mm=0.0,
            confidence=0.95,
            photo_ids=("photo",),
            point_px=(100.0 * n, 100.0),
            revision=1,
        )
        for n, t in enumerate(tools, start=1)
        if not t.get("cut_in")
    ]


def panel_of_scene(folder: Path, foam: str = "grey on yellow") -> Panel:
    """The panel that `tracer arrange` makes of a scene's tools, in one of `FOAMS` or `PALE`."""
    return coloured(arranged(folder), foam)


@cache
def arranged(folder: Path) -> Panel:
    """A scene's panel in no particular colours."""
    thin = Stock("floor", (240, 210, 20), "pe", 3.0, (1000.0, 500.0))
    plies = (
        PlyPlan("face", Stock("face", (55, 55, 58), "pe", 30.0, (1000.0, 500.0))),
        PlyPlan("base", replace(thin, thickness_mm=10.0)),
    )
    plan = PanelPlan(plies=plies, insert=thin, title=folder.name)
    return api.arrange(outlines_of_scene(folder), plan).panel


def coloured(panel: Panel, foam: str) -> Panel:
    """The panel with face and floors of other colours."""
    colours = dict(zip(("face", "floor"), (FOAMS | PALE)[foam], strict=True))

    def stock(old: Stock, part: str) -> Stock:
        return replace(old, colour=colours[part][0], rgb=colours[part][1])

    plies = tuple(
        replace(p, stock=stock(p.stock, "face" if p.role is PlyRole.FACE else "floor"))
        for p in panel.plies
    )
    pockets = tuple(
        replace(p, floor_insert=replace(p.floor_insert, stock=stock(p.floor_insert.stock, "floor")))
        if p.floor_insert
        else p
        for p in panel.pockets
    )
    return replace(panel, plies=plies, pockets=pockets)
