"""One photo to silhouettes: decide regions, part tools, measure edges."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import make_valid
from shapely.geometry import LinearRing, Point, Polygon
from shapely.geometry.polygon import orient

from tracer.geometry.closed_rings import signed_area
from tracer.geometry.rings import largest_polygon, nearest_points
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity, tool_at
from tracer.model.silhouette import Kind, Segmentation, Silhouette
from tracer.model.view import PlaneMap, View
from tracer.segmentation.decide.answers import Answers
from tracer.segmentation.decide.company import Witness
from tracer.segmentation.decide.deciding import Company, Decision, decide, witness_of
from tracer.segmentation.decide.learned import edge_heights
from tracer.segmentation.edge.agreement import doubts
from tracer.segmentation.edge.contours import mask_rings
from tracer.segmentation.edge.psf import measure_blur
from tracer.segmentation.edge.refine import MeasuredRing, measure_ring
from tracer.segmentation.separate.left_out import LeftOut, Reason, left_out_checks, things_in
from tracer.segmentation.separate.tools import Blob, Marks, separate
from tracer.segmentation.separate.unexplained import unexplained
from tracer.segmentation.working_picture.corrections import marks_on
from tracer.segmentation.working_picture.evidence import RegionEvidence, decision_doubt
from tracer.segmentation.working_picture.extent import outlines
from tracer.segmentation.working_picture.options import Correction, Mark, SegmentOptions
from tracer.segmentation.working_picture.raster import working_picture

__all__ = ["Company", "Witness", "look", "segment"]

FAINT, FAINT_SHARE = 0.3, 0.2  # edge confidence, and the share of the edge below it that is told
STAIN_SHARE = 0.75  # what is faint all round has no edge; black tools on black foam reach 0.4
LEAST_UNSURE_MM2 = 60.0  # smaller uncertain spots are specks
LEAST_KEPT = 0.9  # thin tools change by a tenth between decided and measured edge, not more
Array = NDArray[np.float64]
TOLD_MM = 5.0  # a thing this near to one that is told of is the same
POINT_MM = 8.0  # a point typed beside a thin tool still means it
SEARCH_CELLS = 2.0  # a mask follows the strongest edge, which may be a rim inside the outermost


def segment(
    photo: Photo,
    plane: PlaneMap,
    *,
    cards: Sequence[Polygon] = (),
    hull: Polygon | None = None,
    options: SegmentOptions | None = None,
    corrections: Sequence[Correction] = (),
    company: Company | None = None,
    progress: Callable[[float], None] | None = None,
) -> Segmentation:
    """Find the tools of one photo.

    Parameters
    ----------
    photo, plane
        The upright photo and its map to the sheet.
    cards
        Papers of all cards in the photo, sheet mm: never tools, also those that calibration
        left out.
    hull
        Convex hull of the used boards, sheet mm; None without cards.
    corrections
        What the maker marked by hand.
    company
        The other photos of the lay (`look`): they decide with this one what is tool.
    progress
        Called with 0 to 1.
    """
    options = options or SegmentOptions()
    report = progress or (lambda _: None)
    picture = working_picture(photo.pixels, plane, options.cell_mm, hull)
    report(0.1)
    decision = decide(
        picture,
        cards=cards,
        hull=hull,
        way=options.way,
        company=company,
        plain_ground=options.plain_ground,
        progress=lambda share: report(0.1 + 0.4 * share),
    )
    report(0.5)
    evidence, answers = decision.evidence, decision.answers
    marks = Marks(
        *(
            tuple(marks_on(evidence.raster, plane, corrections, m))
            for m in (Mark.KEEP, Mark.DROP, Mark.SPLIT)
        )
    )
    blobs, left = separate(evidence, hull=hull, seen=decision.seen, options=options, marks=marks)
    if decision.unsure is not None:
        left += things_in(decision.unsure, evidence.raster, Reason.UNSURE, LEAST_UNSURE_MM2)
    report(0.6)
    blur = measure_blur(photo.pixels, plane, cards)
    doubt = decision_doubt(evidence) if answers else None
    found = []
    checks = [*decision.checks, *left_out_checks(left, photo.name)]
    for k, blob in enumerate(blobs):
        silhouette = _measure(photo, plane, evidence, answers, blob, options, blur, doubt)
        report(0.6 + 0.4 * (k + 1) / len(blobs))
        if silhouette is None:
            continue
        if not blob.marked and _faint_share(silhouette) > STAIN_SHARE:
            checks.append(_stain(silhouette, photo))
            continue
        found.append(silhouette)
    silhouettes = _numbered(found)
    if answers and silhouettes:
        likely = np.maximum(answers.tool, answers.cable)
        regions = [s.region for s in silhouettes]
        found_doubts = doubts(regions, likely, evidence.domain, evidence.raster)
        silhouettes = [replace(s, doubt=d) for s, d in zip(silhouettes, found_doubts, strict=True)]
    checks = [*left_out_checks(_unseen(decision, silhouettes, left, marks), photo.name), *checks]
    checks += [c for s in silhouettes for c in _findings(s, photo)]
    beyond = outlines(decision.extent.beyond, decision.raster) if decision.extent else ()
    return Segmentation(photo.photo_id, tuple(silhouettes), tuple(checks), beyond)


def look(
    photo: Photo,
    view: View,
    *,
    cards: Sequence[Polygon] = (),
    hull: Polygon | None = None,
    options: SegmentOptions | None = None,
) -> Witness | None:
    """What one photo can tell the others of its lay; arguments as `segment` has them.

    None where the learned model is damaged.
    """
    cell_mm = (options or SegmentOptions()).cell_mm
    picture = working_picture(photo.pixels, view, cell_mm, hull)
    return witness_of(picture, view, cards=cards, hull=hull)


def _unseen(
    decision: Decision, found: Sequence[Silhouette], told: Sequence[LeftOut], marks: Marks
) -> list[LeftOut]:
    """What differs from the sheet and belongs to nothing that was found or told of."""
    if decision.extent is None or decision.extent.blocks is None:
        return []
    known = [s.region for s in found]
    near = [Point(t.where_mm).buffer(t.size_mm[1] / 2 + TOLD_MM) for t in told]
    things = unexplained(decision.extent.blocks, known, decision.raster)
    things = [t for t in things if not any(n.contains(Point(t.where_mm)) for n in near)]
    near += [Point(t.where_mm).buffer(t.size_mm[1] / 2 + TOLD_MM) for t in things]
    for point in marks.keep:
        x, y = decision.evidence.raster.to_sheet(point)[0].tolist()
        at = Point(x, y)
        if any(r.distance(at) <= POINT_MM for r in known) or any(n.contains(at) for n in near):
            continue
        if decision.extent.shows((x, y), decision.raster):
            things.append(LeftOut((x, y), (0.0, 0.0), Reason.ROW))
    return things


def _place(silhouette: Silhouette) -> tuple[float, float]:
    where = silhouette.region.representative_point()
    return float(where.x), float(where.y)


def _faint_share(silhouette: Silhouette) -> float:
    return float(np.mean(silhouette.edge_confidence < FAINT))


def _stain(silhouette: Silhouette, photo: Photo) -> Check:
    """A spot that has no edge: oil, or a wet place."""
    place = _place(silhouette)
    return Check(
        "stain-left-out",
        Severity.NOTE,
        f"In {photo.name}, the spot at ({place[0]:.0f}, {place[1]:.0f}) mm has no edge to measure "
        "and was taken for a stain.",
        "If it is a tool, name it in the tool list or mark it to be kept.",
        value=_faint_share(silhouette),
        limit=STAIN_SHARE,
        where_mm=place,
    )


def _findings(silhouette: Silhouette, photo: Photo) -> list[Check]:
    """What a maker should look at, per silhouette."""
    place = _place(silhouette)
    found = []
    doubtful = _faint_share(silhouette)
    if doubtful > FAINT_SHARE and not silhouette.touches_border:
        found.append(
            Check(
                "edge-faint",
                Severity.NOTE,
                f"In {photo.name}, {doubtful:.0%} of the edge of {tool_at(place)} "
                f"hardly stands out from the sheet.",
                "Look at the overlay; a sheet of another colour or softer light shows it better.",
                subject_id=silhouette.silhouette_id,
                value=doubtful,
                limit=FAINT_SHARE,
                where_mm=place,
            )
        )
    if silhouette.touches_border and silhouette.kind is Kind.TOOL:
        found.append(
            Check(
                "cut-by-frame",
                Severity.WARN,
                f"The edge of {photo.name} cuts {tool_at(place)}.",
                "Take the photo again with the whole tool in view.",
                subject_id=silhouette.silhouette_id,
                where_mm=place,
            )
        )
    return found


def _measure(
    photo: Photo,
    plane: PlaneMap,
    evidence: RegionEvidence,
    answers: Answers | None,
    blob: Blob,
    options: SegmentOptions,
    blur_px: float,
    doubt: Callable[[Array], Array] | None,
) -> Silhouette | None:
    rings = _rings(evidence, blob)
    if not rings:
        return None
    measured = [
        measure_ring(
            photo.pixels,
            plane,
            ring,
            step_mm=options.step_mm,
            search_mm=SEARCH_CELLS * evidence.raster.mm_per_cell,
            sigma_px=blur_px,
            doubt=doubt,
        )
        for ring in rings
    ]
    outer, holes = measured[0], measured[1:]
    region = _whole(outer, holes, rings)
    if region is None:
        return None
    # a repaired outline has other vertices: carry the nearest ones' figures over
    ring = np.asarray(region.exterior.coords)[:-1, :2]
    near = nearest_points(outer.points_mm, ring)
    heights = edge_heights(answers, evidence.raster, ring) if answers else (np.empty(0),) * 2
    return Silhouette(
        silhouette_id="",
        photo_id=photo.photo_id,
        region=region,
        sigma_mm=outer.sigma_mm[near],
        confidence=float(np.mean(outer.confidence)),
        edge_confidence=outer.confidence[near],
        edge_height=heights[0],
        edge_height_sigma=heights[1],
        kind=blob.kind,
        touches_border=blob.touches_border,
        holes_sigma_mm=tuple(float(np.median(h.sigma_mm)) for h in holes),
    )


def _rings(evidence: RegionEvidence, blob: Blob) -> list[Array]:
    """The decided border: outer ring, then holes."""
    if blob.fine is None:
        return mask_rings(blob.cells, blob.corner, evidence.raster)
    row, col = blob.corner
    quarters = (2 * row, 2 * col)
    return mask_rings(blob.fine > 0.5, quarters, evidence.raster.quartered(), blob.fine)


def _whole(outer: MeasuredRing, holes: list[MeasuredRing], rings: list[Array]) -> Polygon | None:
    """The measured polygon, unless the measured rings cross so that a part of the tool is lost.

    Where both sides of a thin part were drawn to one edge, half the way, then none, is gone from
    the decided rings to the measured ones.
    """
    region = None
    for share in (1.0, 0.5, 0.0):
        moved = [
            _way_back(m.points_mm, ring, share)
            for m, ring in zip([outer, *holes], rings, strict=True)
        ]
        region = _valid(moved[0], moved[1:])
        decided = abs(signed_area(rings[0])) - sum(abs(signed_area(r)) for r in rings[1:])
        if region is not None and region.area >= LEAST_KEPT * decided:
            break
    return region


def _way_back(points: Array, ring: Array, share: float) -> Array:
    """Points moved back to the ring they were measured from, by all but ``share`` of the way."""
    if share == 1.0:
        return points
    line = LinearRing(ring)
    near = shapely.get_coordinates(
        shapely.line_interpolate_point(
            line, shapely.line_locate_point(line, shapely.points(points))
        )
    )
    return np.asarray(near + share * (points - near), np.float64)


def _valid(outer: Array, holes: list[Array]) -> Polygon | None:
    """The polygon; self-crossings of a few points are cut off."""
    body = make_valid(Polygon(outer))
    for hole in holes:
        body = body.difference(make_valid(Polygon(hole)))
    largest = largest_polygon(body)
    return orient(largest) if largest.area > 0 else None


def _numbered(found: list[Silhouette]) -> list[Silhouette]:
    """Reading order: rows from the far side, each from the left."""
    order = sorted(found, key=lambda s: (-s.region.bounds[3], s.region.bounds[0]))
    return [replace(s, silhouette_id=f"S{k + 1:02d}") for k, s in enumerate(order)]
