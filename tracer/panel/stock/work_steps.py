"""The order of the work as people do it, for the job sheet's checklist.

Big things in the middle first, then rows; thin cuts first, then deep ones (common practice, no
source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import Point

from tracer.model.machine import Machine
from tracer.model.panel import BayKind, Panel, PanelPocket, PlyRole
from tracer.panel.fittings.openings import parts

__all__ = ["cutting_depths", "laying_order", "work_steps"]

#: of all places this share, the largest ones, comes first; places in a row lie within the second
_FIRST_SHARE, _ROW_MM = 0.25, 60.0
_FEW = 3


def laying_order(panel: Panel) -> tuple[list[PanelPocket], list[list[PanelPocket]]]:
    """The big things from the middle out, then rows from above, each from the left."""
    by_size = sorted(panel.pockets, key=lambda p: (-p.region.area, p.number))
    many = math.ceil(_FIRST_SHARE * len(by_size)) if len(by_size) > _FEW else 0
    w, h = panel.size_mm
    middle = Point(w / 2, h / 2)
    first = sorted(by_size[:many], key=lambda p: p.region.centroid.distance(middle))
    rows: dict[int, list[PanelPocket]] = {}
    for pocket in by_size[many:]:
        rows.setdefault(-round(pocket.region.centroid.y / _ROW_MM), []).append(pocket)
    return first, [
        sorted(rows[key], key=lambda p: (p.region.centroid.x, p.number)) for key in sorted(rows)
    ]


def cutting_depths(panel: Panel) -> list[tuple[float, list[str]]]:
    """Depths in the face from thin to deep, each with what is cut to it; through last."""
    found: dict[float, list[str]] = {}
    for pocket in panel.pockets:
        for n, (_, depth) in enumerate(parts(pocket)):
            mark = str(pocket.number) if n == 0 else f"{pocket.number} {_part(pocket, n)}"
            found.setdefault(round(min(depth, panel.face_mm), 1), []).append(mark)
    for inlay in panel.inlays:
        found.setdefault(round(inlay.depth_mm, 1), []).append(inlay.inlay_id)
    for mount in panel.mounts:
        if mount.opening is not None:
            found.setdefault(round(panel.face_mm, 1), []).append(mount.mount_id)
    return sorted(found.items())


def _part(pocket: PanelPocket, index: int) -> str:
    return "well" if index <= len(pocket.wells) else "notch"


def _depths(panel: Panel) -> str:
    words = []
    for depth, marks in cutting_depths(panel):
        deep = "right through" if depth >= panel.face_mm - 0.05 else f"{depth:g} mm"
        words.append(f"{deep} ({', '.join(dict.fromkeys(marks))})")
    return "; ".join(words)


def _laying(panel: Panel) -> str:
    first, rows = laying_order(panel)
    words = []
    if first:
        words.append(f"the big things in the middle, {_numbers(first)}")
    words += [f"row {n}: {_numbers(row)}" for n, row in enumerate(rows, start=1)]
    return "; ".join(words)


def _numbers(pockets: Sequence[PanelPocket]) -> str:
    return ", ".join(str(p.number) for p in pockets)


def work_steps(panel: Panel, machine: Machine) -> tuple[str, ...]:
    """The steps, each a line to tick off."""
    steps = [
        "Measure the bay and every sheet: width, height, both diagonals, thickness at four "
        "corners. Compare with this sheet before cutting.",
        "Let the sheets lie flat a day at shop temperature; foam bows and creeps.",
        *_wall_first(panel),
        f"Cut the 100 mm check square and try one pocket on waste on the {machine.title}.",
        *_cutting(panel),
        *_gluing(panel),
        *_finishing(panel),
    ]
    return tuple(steps)


def _wall_first(panel: Panel) -> list[str]:
    steps = []
    if panel.rail is not None:
        steps.append(
            "Rest rail: wrap or paint it, drill it, set it level on the wall; plugs and screws go "
            "by the wall and local practice."
        )
    if panel.mounts:
        drills = sorted({h.pilot_mm for m in panel.mounts for h in m.holes})
        steps.append(
            "Drill the pilot holes of the mounts into the board "
            f"({', '.join(f'{d:g}' for d in drills)} mm) before any foam goes on; a template is "
            "among the files of the board."
        )
    return steps


def _cutting(panel: Panel) -> list[str]:
    steps = [f"Lay the tools on the face once, as they are to hang or lie: {_laying(panel)}."]
    if panel.pockets:
        steps.append(
            "Cut the face, inside before outside, in the order of the list. By hand: score all "
            f"lines 2 to 3 mm deep first, then go down, thin before deep: {_depths(panel)}."
        )
    steps.append("Keep every cut-out: it masks its opening while the back is glued.")
    if panel.back_cavities:
        rooms = ", ".join(c.cavity_id for c in panel.back_cavities)
        steps.append(
            "Turn the face over like a page, marked corner to the stop, and cut the cable rooms "
            f"({rooms}) from behind; measure the skin that is left at one place of each."
        )
    if panel.inlays:
        steps.append(
            f"Cut the inlays ({', '.join(i.inlay_id for i in panel.inlays)}) and press them in "
            "dry; they close flush, or the check says by how much they do not."
        )
    return steps


def _gluing(panel: Panel) -> list[str]:
    steps = []
    if len(panel.tiles) > len(panel.slabs):
        steps.append("Butt the tiles on a flat board, seams dry, and check the diagonals.")
    if len(panel.slabs) > 1:
        steps += [
            "Stack the layers in the order of their marks, front up, marked lower left corners "
            "together in a square stop (two battens screwed to a board): all layers have the same "
            "edge, so their openings lie on one another.",
            "Dry-fit all tools before anything is glued.",
        ]
        if panel.back_cavities:
            steps.append("Lay the leads into their rooms and out of them before glue closes them.")
        steps.append(
            "Put the masking pieces back by their numbers, glue the layers behind the face, weight "
            "them flat, and take the pieces out when the glue has set."
        )
    if any(p.floor_insert for p in panel.pockets):
        steps.append("Press the numbered floor inserts into their pockets, glue only if loose.")
    return steps


def _finishing(panel: Panel) -> list[str]:
    steps = []
    if panel.bay.kind is BayKind.WALL:
        steps.append(
            "Drill and screw the backing board before the foam goes on, where the fixing sketch "
            "shows; then glue the foam over it."
            if panel.thickness_mm(PlyRole.BACKING)
            else "Mount the panel on a board: foam alone holds no screw."
        )
    if panel.mounts or panel.ledges:
        steps.append("Screw on mounts and ledges; lead their cables through the ways cut for them.")
    if panel.rail is not None and panel.rail.cover_strip:
        steps.append("Press the cover strip over the screw heads of the rest rail.")
    return [
        *steps,
        "Check the distances of the list with a tape.",
        "Fit the tools, label the places, and photograph the panel full and empty.",
    ]
