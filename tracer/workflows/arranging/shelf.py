"""Outlines used again: a shelf across jobs, and outlines drawn by hand or by another program.

The shelf is a folder of its own, one file per outline, in the form of ``outlines.json``. What a
job takes from it, or from a drawing, becomes an *imported outline*: it is kept in the job's
``guests.json`` and gets a pocket beside the traced tools.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.atomic import create_atomically
from tracer.errors import TracerError, UsageError
from tracer.export.reading.curves import ReadCurve
from tracer.export.reading.limits import too_large
from tracer.geometry.rings import polygons_in
from tracer.geometry.sweep import MOST_PAIRS, sweep_pairs
from tracer.loading import read_file
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.store import JobFolder
from tracer.ranges import COUNTS, MOST_BYTES, shown
from tracer.workflows.arranging.arrange import IMPORTED
from tracer.workflows.arranging.panel_tools import upright
from tracer.workflows.check import read_cutting_file

__all__ = ["draw_into_job", "drawn_regions", "put_on_shelf", "shelf_names", "take_from_shelf"]

_ENDING = ".outline.json"
#: layers of our own drawings: the outlines, and what goes with them
_OUTLINE_LAYER = "outline"
_NOT_TOOLS = {"sheet-edge", "check-square", "check-circle", "label"}
#: a drawing's tools, and the holes of one of them; closed curves of both kinds
_MOST_TOOLS = int(COUNTS["tools in one drawing that is taken for outlines"].high)
_MOST_RINGS = 10 * _MOST_TOOLS


def shelf_names(shelf: Path) -> list[str]:
    """Names of the outlines on a shelf, in order; none where there is no such folder."""
    return sorted(f.name.removesuffix(_ENDING) for f in shelf.glob(f"*{_ENDING}"))


def put_on_shelf(folder: JobFolder, ids: Sequence[str], shelf: Path) -> list[Path]:
    """Outlines of a job onto the shelf, upright and centred, under their names.

    Raises
    ------
    TracerError
        ``shelf-no-outline`` when the job has none of that id, ``shelf-name-taken``.
    """
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    by_id = {o.outline_id: o for o in content.outlines}
    unknown = [i for i in ids if i not in by_id]
    if unknown:
        raise TracerError(
            "shelf-no-outline",
            f"The job {folder.name} has no outline {unknown[0]}.",
            "tools.csv and the overlay picture show the ids.",
        )
    written = []
    for outline_id in ids:
        outline = by_id[outline_id]
        path = shelf / f"{_file_name(outline.name)}{_ENDING}"
        placed = _centred(outline, content)
        _refuse_unreadable([placed])
        data = dump_outlines(OutlinesFile((placed,)))
        if path.exists() and _shelf_file(path) != data:
            raise TracerError(
                "shelf-name-taken",
                f"The shelf holds another outline called '{outline.name}'.",
                "Give the tool another name in tools.csv, or take the old file off the shelf.",
            )
        if not path.exists():
            create_atomically(path, data)
        written.append(path)
    return written


def _shelf_file(path: Path) -> bytes:
    def refuse(why: str) -> TracerError:
        return TracerError(
            "shelf-unreadable",
            f"The outline {path.name} on the shelf cannot be read: {why}.",
            "Take the file off the shelf, or put it there again from its job.",
        )

    return read_file(path, MOST_BYTES["file of a job"], refuse)


def _is_file(path: Path) -> bool:
    """Whether it is a file; a name that no system takes is none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def take_from_shelf(folder: JobFolder, names: Sequence[str], shelf: Path) -> list[str]:
    """Outlines from the shelf into a job as imported outlines; their ids there.

    Raises
    ------
    TracerError
        ``shelf-no-outline``.
    """
    found: list[Outline] = []
    for name in names:
        path = shelf / f"{name}{_ENDING}"
        if not _is_file(path):
            raise TracerError(
                "shelf-no-outline",
                f"The shelf has no outline '{name}'.",
                f"It holds: {', '.join(shelf_names(shelf)) or 'nothing'}.",
            )
        found += load_outlines(_shelf_file(path), path.name).outlines
    return _add_imported(folder, found)


def draw_into_job(
    folder: JobFolder, path: Path, *, height_mm: float, name: str | None = None
) -> list[str]:
    """Closed curves of a DXF or SVG file into a job as imported outlines; their ids there.

    Raises
    ------
    TracerError
        ``drawing-no-outline``, ``drawing-unit-unknown`` and what the readers raise.
    """
    file = read_cutting_file(path)
    if file.mm_per_unit is None:
        raise TracerError(
            "drawing-unit-unknown",
            f"{path.name} does not say what its unit is, so the tool's size is not known.",
            "Export it with units (DXF R2000 or later with $INSUNITS, or SVG in mm).",
        )
    regions = drawn_regions(file.curves, file.mm_per_unit)
    if not regions:
        raise TracerError(
            "drawing-no-outline",
            f"{path.name} holds no closed curve that could be a tool.",
            "Draw each tool as one closed curve.",
        )
    stem = name or path.stem.encode("utf-8", "replace").decode()  # a file's name may be no text
    outlines = [
        _drawn(region, stem if len(regions) == 1 else f"{stem} {n}", height_mm)
        for n, region in enumerate(regions, start=1)
    ]
    return _add_imported(folder, outlines)


def drawn_regions(curves: Sequence[ReadCurve], mm_per_unit: float) -> list[Polygon]:
    """Tools among closed curves: outermost ones with their holes, in reading order.

    Where a drawing has a layer ``outline``, only that counts.

    Raises
    ------
    TracerError
        ``drawing-too-large``.
    """
    layers = {c.layer.lower() for c in curves}
    own = _OUTLINE_LAYER in layers
    chosen = [
        c
        for c in curves
        if c.closed
        and len(c.points) >= 3
        and (c.layer.lower() == _OUTLINE_LAYER if own else c.layer.lower() not in _NOT_TOOLS)
    ]
    if len(chosen) > _MOST_RINGS:
        raise too_large(f"The drawing holds {len(chosen)} closed curves, more than {_MOST_RINGS}")
    rings = [Polygon(c.points * mm_per_unit) for c in chosen if sweep_pairs(c.points) < MOST_PAIRS]
    rings = sorted((r for r in rings if r.is_valid and r.area > 1.0), key=lambda r: -r.area)
    outer: list[tuple[Polygon, list[Polygon]]] = []
    for ring in rings:
        around = next((pair for pair in outer if pair[0].contains(ring)), None)
        if around is not None and around[0].equals(ring):
            continue  # a curve that is drawn twice is one curve
        parent = None if around is None else around[1]
        if parent is None:
            shapely.prepare(ring)
            outer.append((ring, []))
            if len(outer) > _MOST_TOOLS:
                raise too_large(f"The drawing holds more than {_MOST_TOOLS} tools")
        elif not any(hole.contains(ring) for hole in parent):
            shapely.prepare(ring)
            parent.append(ring)
            if len(parent) > _MOST_TOOLS:
                raise too_large(f"A tool of the drawing has more than {_MOST_TOOLS} holes")
    regions = [orient(r) for shell, holes in outer if (r := _without(shell, holes)).area > 1.0]
    return sorted(regions, key=lambda r: (-round(r.bounds[3]), r.bounds[0]))


def _without(shell: Polygon, holes: Sequence[Polygon]) -> Polygon:
    """A tool without its holes, also where these touch its edge or one another."""
    region = Polygon(shell.exterior, [hole.exterior for hole in holes])
    if region.is_valid:
        return region
    pieces = polygons_in(shell.difference(shapely.union_all(holes)))
    return max(pieces, key=lambda piece: piece.area, default=Polygon())


def _refuse_unreadable(outlines: Sequence[Outline]) -> None:
    """Refuse what the job's file could not give back: it would stop the whole job."""
    for outline in outlines:
        try:
            load_outlines(dump_outlines(OutlinesFile((outline,))), IMPORTED)
        except TracerError as error:
            why = error.sentence.rpartition(": ")[2]
            raise TracerError(
                "outline-too-fine",
                f"The outline '{outline.name}' cannot be kept: {why}",
                "Draw it with fewer corners, and so that no edge crosses another.",
            ) from error


def _file_name(name: str) -> str:
    """A name that every file system takes."""
    plain = re.sub(r"[^\w\- ().,+]", "_", name).strip(" .")
    if not plain:
        raise UsageError("shelf-name-unusable", f"'{name}' cannot be a file name.", "Rename it.")
    return plain


def _centred(outline: Outline, content: OutlinesFile) -> Outline:
    lie = upright(content.calibration, content.lay_of.get(outline.outline_id, 1))
    turned = lie.apply_polygon(outline.region)
    x0, y0, x1, y1 = turned.bounds
    dx, dy = -(x0 + x1) / 2, -(y0 + y1) / 2

    def shifted(bound: BaseGeometry | None) -> BaseGeometry | None:
        return None if bound is None else affinity.translate(lie.apply(bound), dx, dy)

    return replace(
        outline,
        region=affinity.translate(turned, dx, dy),
        outer=shifted(outline.outer),
        inner=shifted(outline.inner),
        revision=1,
    )


def _drawn(region: Polygon, name: str, height_mm: float) -> Outline:
    x0, y0, x1, y1 = region.bounds
    return Outline(
        outline_id="",
        name=name,
        region=affinity.translate(region, -(x0 + x1) / 2, -(y0 + y1) / 2),
        height_mm=height_mm,
        height_source=HeightSource.TYPED,
        method=EdgeModel.FRACTION,
        sigma_mm=0.0,
        sigma_ring_mm=np.empty(0),
        bias_bound_mm=0.0,
        confidence=1.0,
        photo_ids=(),
        point_px=(0.0, 0.0),
    )


def _add_imported(folder: JobFolder, outlines: Sequence[Outline]) -> list[str]:
    _refuse_unreadable(outlines)
    with folder.locked():
        if not folder.exists():
            raise UsageError("job-missing", f"There is no job {folder.name} here.", "Trace first.")
        before = OutlinesFile(())
        if folder.has(IMPORTED):
            before = load_outlines(folder.read(IMPORTED), IMPORTED)
        numbers = [_imported_number(o.outline_id) for o in before.outlines]
        first = max(numbers, default=0) + 1
        named = [replace(o, outline_id=f"G{n:02d}") for n, o in enumerate(outlines, start=first)]
        folder.commit({IMPORTED: dump_outlines(OutlinesFile((*before.outlines, *named)))})
    return [o.outline_id for o in named]


def _imported_number(imported_id: str) -> int:
    """The number in an imported outline's id.

    Raises
    ------
    TracerError
        ``job-damaged``.
    """
    found = re.fullmatch(r"G([0-9]{2,6})", imported_id)
    if found is None:
        raise TracerError(
            "job-damaged",
            f"The file {IMPORTED} names an imported outline {shown(imported_id)}; they are named"
            " G01, G02 and on.",
            "Restore the file from a copy, or delete it and import the outlines again.",
        )
    return int(found[1])
