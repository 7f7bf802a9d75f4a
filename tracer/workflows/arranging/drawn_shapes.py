"""Shapes of a plan's emblems, cable rooms and mounts: from drawings, letters and outlines."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePosixPath

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError, UsageError
from tracer.export.drawing.lettering import lettering
from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.export.reading.limits import too_large
from tracer.geometry.circles import circle_through
from tracer.geometry.loops import signed_area
from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.geometry.sweep import MOST_PAIRS, sweep_pairs
from tracer.loading import read_file
from tracer.model.fitting_plans import EmblemPlan
from tracer.model.fittings import Drawn, DrillHole
from tracer.model.outline import Outline
from tracer.model.panel_plan import PanelPlan
from tracer.project.store import JobFolder
from tracer.ranges import MOST_BYTES, shown
from tracer.workflows.check import read_cutting_bytes

__all__ = [
    "DRAWINGS",
    "beside_job",
    "beside_plan",
    "drawing_files",
    "drawn_shapes",
    "emblem_of_drawing",
]

#: folder of a job that keeps the drawings its plan names
DRAWINGS = "drawings"
#: cap height of letters that are fitted into a region afterwards
_CAP_MM = 100.0
#: chords to a curve of the font: within 0.005 mm at a cap height of 100 mm
_CHORDS = 40
#: curves of one drawing
_MOST_RINGS = 500
#: a curve is a circle when no point of it lies further off; lines of our own files are exact
_ROUND_MM = 0.05
#: share of its area that a circle of few chords may lack
_FULL = 0.05

Read = Callable[[str], bytes | None]


def beside_job(folder: JobFolder, given: Mapping[str, bytes]) -> Read:
    """What gives the drawings of a job: those handed in now, then those kept."""

    def read(name: str) -> bytes | None:
        path = f"{DRAWINGS}/{name}"
        if path in given:
            return given[path]
        return folder.read(path) if folder.has(path) else None

    return read


def beside_plan(plan: Path | None) -> Read:
    """What gives the drawings beside a plan's file by their names; of none without a file."""

    def read(name: str) -> bytes | None:
        path = Path() if plan is None else plan.parent / DRAWINGS / name
        if plan is None or not path.is_file():
            return None

        def refuse(why: str) -> TracerError:
            return TracerError(
                "plan-drawing-missing",
                f"The drawing {path} cannot be read: {why}.",
                "Check its name and folder.",
            )

        return read_file(path, MOST_BYTES["drawing"], refuse)

    return read


def drawing_files(plan: PanelPlan) -> list[str]:
    """Names of the drawings that a plan needs, each once."""
    named = [e.file for e in plan.emblems] + [c.file for c in plan.cavities]
    named += [m.file for m in plan.mounts]
    return list(dict.fromkeys(name for name in named if name is not None))


def drawn_shapes(plan: PanelPlan, outlines: Sequence[Outline], read: Read) -> Drawn:
    """Shapes of a plan's emblems, cavities and mounts, by their number in it.

    Parameters
    ----------
    read
        Gives the bytes of a drawing by its name; None where there is none.

    Raises
    ------
    TracerError
        ``plan-drawing-missing``, ``plan-drawing-name``, ``drawing-unit-unknown``,
        ``drawing-no-outline``, ``drawing-no-hole``, ``emblem-source``, ``emblem-letter-missing``,
        and what the readers raise.
    """
    files: dict[str, ReadFile] = {}
    for name in drawing_files(plan):
        files[name] = _read(name, read)
    by_id = {o.outline_id: o.region for o in outlines}
    emblems = {n: _emblem(one, files, by_id) for n, one in enumerate(plan.emblems, start=1)}
    cavities = {
        n: largest_polygon(_regions(files[c.file], c.file))
        for n, c in enumerate(plan.cavities, start=1)
        if c.file is not None
    }
    holes = {
        n: _holes(files[m.file], m.file)
        for n, m in enumerate(plan.mounts, start=1)
        if m.file is not None
    }
    return Drawn(emblems, cavities, holes)


def _read(name: str, read: Read) -> ReadFile:
    if len(PurePosixPath(name).parts) != 1 or "\\" in name or name.startswith("."):
        raise UsageError(
            "plan-drawing-name",
            f"{shown(name)} is not the plain name of a drawing.",
            f"Name a file of the job's folder {DRAWINGS}, without folders.",
        )
    data = read(name)
    if data is None:
        raise TracerError(
            "plan-drawing-missing",
            f"The plan names the drawing {shown(name)}, and it is not there.",
            f"Put it into the folder {DRAWINGS} of the job, or name the file.",
        )
    file = read_cutting_bytes(data, name)
    if file.mm_per_unit is None:
        raise TracerError(
            "drawing-unit-unknown",
            f"{name} does not say what its unit is, so its size is not known.",
            "Export it with units (DXF R2000 or later with $INSUNITS, or SVG in mm).",
        )
    return file


def emblem_of_drawing(name: str, data: bytes) -> BaseGeometry:
    """Area of the emblem that a drawing makes, mm; errors as `drawn_shapes`."""
    return _regions(_read(name, lambda _: data), name)


def _emblem(
    emblem: EmblemPlan, files: Mapping[str, ReadFile], outlines: Mapping[str, Polygon]
) -> BaseGeometry:
    given = [s for s in (emblem.text, emblem.file, emblem.outline_id) if s is not None]
    if len(given) != 1 or not given[0].strip():
        raise UsageError(
            "emblem-source",
            f"The emblem '{emblem.name}' needs exactly one of text, file and outline_id.",
            "Type one of them in the plan.",
        )
    if emblem.file is not None:
        return _regions(files[emblem.file], emblem.file)
    if emblem.text is not None:
        return _letters(emblem.name, emblem.text)
    region = outlines.get(str(emblem.outline_id))
    if region is None:
        raise UsageError(
            "emblem-source",
            f"The emblem '{emblem.name}' is made of the outline {emblem.outline_id}, which the "
            "job does not have.",
            "The overlay picture and tools.csv show the ids.",
        )
    return region


def _letters(name: str, text: str) -> BaseGeometry:
    """Letters of a cap height of 100 mm as areas."""
    written = lettering(text, 0.0, 0.0, _CAP_MM, centred=True, chords=_CHORDS)
    if written.missing:
        raise UsageError(
            "emblem-letter-missing",
            f"The font has no letter for {shown(written.missing)} in the emblem {shown(name)}.",
            "Use letters of the Latin, Greek or Cyrillic alphabet, or a drawing.",
        )
    rings = [(signed_area(loop) > 0, Polygon(loop.vertices[:, :2])) for loop in written.loops]
    solid = shapely.union_all([shapely.make_valid(r) for outer, r in rings if outer])
    holes = shapely.union_all([shapely.make_valid(r) for outer, r in rings if not outer])
    return solid.difference(holes)


def _closed(file: ReadFile, name: str) -> list[ReadCurve]:
    closed = [c for c in file.curves if c.closed and len(c.points) >= 3]
    if len(closed) > _MOST_RINGS:
        raise too_large(f"{name} holds {len(closed)} closed curves, more than {_MOST_RINGS}")
    return closed


def _regions(file: ReadFile, name: str) -> BaseGeometry:
    """Areas of a drawing's closed curves: what lies inside an odd number of them."""
    scale = file.mm_per_unit or 1.0
    rings = [
        Polygon(np.asarray(c.points) * scale)
        for c in _closed(file, name)
        if sweep_pairs(c.points) < MOST_PAIRS
    ]
    sound = [r for r in rings if r.is_valid and r.area > 0.1]
    area: BaseGeometry = Polygon()
    for ring in sound:
        area = area.symmetric_difference(ring)
    parts = polygons_in(area)
    if not parts:
        raise TracerError(
            "drawing-no-outline",
            f"{name} holds no closed curve that encloses an area.",
            "Draw each shape as one closed curve that does not cross itself.",
        )
    return shapely.union_all(parts)


def _holes(file: ReadFile, name: str) -> tuple[DrillHole, ...]:
    """Circles of a drawing, in its own coordinates in mm; each only once."""
    scale = file.mm_per_unit or 1.0
    found: list[DrillHole] = []
    for curve in _closed(file, name):
        points = np.asarray(curve.points) * scale
        circle = circle_through(points)
        if circle is None or circle.off_mm > _ROUND_MM:
            continue
        if abs(Polygon(points).area / (math.pi * circle.radius_mm**2) - 1) > _FULL:
            continue  # a hexagon's corners lie on a circle, too
        hole = DrillHole(circle.x_mm, circle.y_mm, 2 * circle.radius_mm, 0.0)
        if all(abs(hole.x_mm - h.x_mm) + abs(hole.y_mm - h.y_mm) > _ROUND_MM for h in found):
            found.append(hole)
    if not found:
        raise TracerError(
            "drawing-no-hole",
            f"{name} holds no circle that could be a hole.",
            "Draw each hole of the pattern as a circle.",
        )
    return tuple(sorted(found, key=lambda h: (-round(h.y_mm, 3), round(h.x_mm, 3))))
