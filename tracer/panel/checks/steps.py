"""Checks of stepped pockets: does the tool rest on two places at least."""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from tracer.geometry.rings import polygons_in
from tracer.model.panel import Panel
from tracer.model.report import Check, Severity
from tracer.panel.fittings.steps import FLOOR, STEP

__all__ = ["check_steps"]

#: a patch of floor that carries anything
_LEAST_MM2 = 50.0


def check_steps(panel: Panel) -> Iterator[Check]:
    """A tool in a stepped pocket rests on its raised floor and on its deep one."""
    for pocket in panel.pockets:
        floors = [w.region for w in pocket.wells if w.name.startswith((FLOOR, STEP))]
        if not floors:
            continue
        deep = [f.intersection(pocket.outline) for f in floors]
        raised = pocket.outline.difference(shapely.union_all(floors))
        rests = [p for shape in (*deep, raised) for p in polygons_in(shape) if p.area >= _LEAST_MM2]
        who = f"{pocket.number} ({pocket.name})"
        middle = pocket.outline.centroid
        at = (float(middle.x), float(middle.y))
        if len(rests) < 2:
            yield Check(
                slug="step-rests-once",
                severity=Severity.FAIL,
                sentence=f"{who} rests on {len(rests)} place of its stepped pocket: it tilts.",
                remedy="Check places and sizes of its steps.",
                subject_id=pocket.pocket_id,
                value=float(len(rests)),
                limit=2.0,
                where_mm=at,
            )
