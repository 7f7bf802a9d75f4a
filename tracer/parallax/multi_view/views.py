"""Several photos of one lay: outlines, heights and their uncertainty, with nothing typed.

The silhouettes of all photos are sorted into tools, each tool is solved from all photos that show
it, and what does not fit is said: tools moved between shots, shadows and mirror images that move
against the tools, typed heights that the photos contradict, edges that no photo opens.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.calibration import Calibration
from tracer.model.outline import Cause, HeightSource
from tracer.model.report import Check
from tracer.model.silhouette import Kind, Silhouette
from tracer.model.view import View
from tracer.parallax.multi_view.bounds import EdgeQuality
from tracer.parallax.multi_view.correspond import Track, group_silhouettes
from tracer.parallax.multi_view.edges import Camera, EdgeSettings
from tracer.parallax.multi_view.findings import (
    check_baselines,
    check_disputes,
    check_flat,
    check_open_edges,
    check_outliers,
    check_slips,
    check_typed,
)
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import lies_flat
from tracer.parallax.multi_view.outliers import Outlier, OutlierReason, Slip, slips, sort_outliers
from tracer.parallax.multi_view.solved import EdgeHeights, SolvedTool, TypedHeight, ViewsSolution
from tracer.parallax.multi_view.together import SolvedRing, TypedPrior, Whole, solve_together
from tracer.parallax.shared.uncertainty import budget_of, pose_sigma_mm, typical_sigma_mm

__all__ = ["EdgeHeights", "SolvedTool", "TypedHeight", "ViewsSolution", "solve_views"]

Array = NDArray[np.float64]

#: confidence below which an edge is faint, and the share of it that makes a flat shape a stain:
#: each photo alone is held to more, since black tools on black foam reach 0.4
FAINT, STAIN_SHARE = 0.3, 0.4


def frame_of(view: View, inset_px: float = 3.0, per_side: int = 30) -> Polygon:
    """Part of the sheet that a photo shows, a few pixels of its rim left out."""
    w, h = view.size_px
    run = np.linspace(0, 1, per_side, endpoint=False)
    x0, y0, x1, y1 = inset_px, inset_px, w - 1 - inset_px, h - 1 - inset_px
    rim = np.concatenate(
        [
            np.column_stack([x0 + run * (x1 - x0), np.full(per_side, y0)]),
            np.column_stack([np.full(per_side, x1), y0 + run * (y1 - y0)]),
            np.column_stack([x1 - run * (x1 - x0), np.full(per_side, y1)]),
            np.column_stack([np.full(per_side, x0), y1 - run * (y1 - y0)]),
        ]
    )
    on_sheet = view.to_sheet(rim)
    return largest_polygon(shapely.make_valid(Polygon(on_sheet[np.isfinite(on_sheet).all(axis=1)])))


def observations_of(
    track: Track,
    silhouettes: Sequence[Sequence[Silhouette]],
    cameras: Sequence[Camera],
    frames: Sequence[Polygon],
) -> list[Observation]:
    """What each photo shows of one tool."""
    out = []
    for part in track.parts:
        some = tuple(silhouettes[part.photo][k] for k in part.silhouettes)
        whole = not part.shared and not any(s.touches_border for s in some)
        out.append(Observation(part.photo, cameras[part.photo], some, frames[part.photo], whole))
    return out


def siblings_of(tracks: Sequence[Track], index: int) -> list[int]:
    """Other tracks that share a silhouette with this one."""
    mine = {(p.photo, k) for p in tracks[index].parts if p.shared for k in p.silhouettes}
    return [
        j
        for j, track in enumerate(tracks)
        if j != index and any((p.photo, k) in mine for p in track.parts for k in p.silhouettes)
    ]


def typed_for(
    observations: Sequence[Observation], typed: Sequence[TypedHeight], views: Sequence[View]
) -> TypedHeight | None:
    """The typed height whose point lies in one of the tool's silhouettes, nearest its middle."""
    best: tuple[float, TypedHeight] | None = None
    for row in typed:
        for g in observations:
            view = views[g.photo]
            if view.photo_id != row.photo_id:
                continue
            spot = Point(view.to_sheet([row.point_px])[0])
            if not g.region.buffer(1.0).contains(spot):
                continue
            others = [o.region.centroid for o in observations if o.whole] or [g.region.centroid]
            away = float(np.mean([spot.distance(c) for c in others]))
            if best is None or away < best[0]:
                best = (away, row)
    return None if best is None else best[1]


def assemble(
    whole: Whole,
    observations: Sequence[Observation],
    views: Sequence[View],
    calibration: Calibration | None,
    typed: TypedHeight | None,
    moved: Sequence[Slip],
) -> SolvedTool:
    """Turn solved rings into the tool's outline with everything known about it."""
    outer_ring = whole.exterior
    points = outer_ring.fit.ring.points_mm
    parts = {**outer_ring.quality.parts_mm, **map_parts(outer_ring, observations, calibration)}
    sigma = with_calibration(outer_ring, observations, calibration)
    region = largest_polygon(shapely.make_valid(Polygon(points)))
    holes = [h.fit.ring.points_mm for h in whole.holes]
    if holes:
        openings = shapely.union_all([Polygon(h).buffer(0) for h in holes])
        region = largest_polygon(region.difference(openings))
    region = shapely.orient_polygons(region)
    rim = np.asarray(region.exterior.coords)[:-1, :2]
    nearest = np.asarray(cKDTree(points).query(rim)[1], np.intp)
    sigma, ring = sigma[nearest], outer_ring.fit.ring
    low = (ring.middle_mm - ring.half_mm)[nearest]
    high = (ring.middle_mm + ring.half_mm)[nearest]
    outer, inner = hull_bounds(whole)
    quality = outer_ring.quality
    height, spread = whole.height_mm, whole.height_sigma_mm
    source = HeightSource.MEASURED
    if typed is not None:
        height, spread, source = typed.height_mm, typed.sigma_mm, HeightSource.TYPED
    first = min(observations, key=lambda g: g.photo)
    inside = largest_polygon(first.region).representative_point()
    spot = views[first.photo].to_photo([[inside.x, inside.y]])[0]
    support = float(np.mean(quality.view_count >= 2))
    own = float(np.mean([s.confidence for g in observations for s in g.silhouettes]))
    return SolvedTool(
        region=region,
        sigma_ring_mm=sigma,
        sigma_mm=typical_sigma_mm(sigma, rim),
        outer=outer,
        inner=inner,
        bias_bound_mm=bias_bound_of(quality),
        height_mm=height,
        height_sigma_mm=spread,
        height_source=source,
        edges=EdgeHeights(low, high),
        edge_mm=max(whole.one_height.z_mm, 0.0),
        confidence=min(1.0, own * (0.5 + 0.5 * support)),
        photo_ids=tuple(
            views[g.photo].photo_id for g in sorted(observations, key=lambda g: g.photo)
        ),
        silhouettes=tuple(s for g in observations for s in g.silhouettes),
        point_px=(float(spot[0]), float(spot[1])),
        cable=observations[0].silhouettes[0].kind == Kind.CABLE,
        cut_by_frame=all(any(s.touches_border for s in g.silhouettes) for g in observations),
        slips=tuple(moved),
        budget_mm=budget_of(parts, points, region),
    )


def bias_bound_of(quality: EdgeQuality) -> float:
    """How far the true edge may lie outside where photos see it from one side only, mm.

    Left parallax that 95 % of the ring's samples keep to; below 1 mm nothing is hidden.
    """
    hiding = quality.one_sided & (quality.left_mm > 1.0)
    return float(np.percentile(quality.left_mm * hiding, 95))


def with_calibration(
    ring: SolvedRing, observations: Sequence[Observation], calibration: Calibration | None
) -> Array:
    """Standard deviation (N,) of a ring, the map's and the pose's part in quadrature."""
    sigma = ring.quality.sigma_mm
    for part in map_parts(ring, observations, calibration).values():
        sigma = np.hypot(sigma, part)
    return np.asarray(sigma, np.float64)


def map_parts(
    ring: SolvedRing, observations: Sequence[Observation], calibration: Calibration | None
) -> dict[Cause, Array]:
    """What the photo-to-sheet map and the cameras' places add, (N,) each; the best photo counts."""
    if calibration is None:
        return {}
    fit = ring.fit
    sheet = calibration.sigma.at(fit.ring.points_mm)
    pose = np.full((len(observations), len(sheet)), np.inf)
    for i, g in enumerate(observations):
        cov = calibration.pose_cov.get(calibration.views[g.photo].photo_id)
        pose[i] = pose_sigma_mm(
            fit.sighting.rho_mm[i], fit.normal, fit.ring.middle_mm, g.camera.height_mm, cov
        )
    return {Cause.SHEET: sheet, Cause.CAMERA: pose.min(axis=0)}


def hull_bounds(whole: Whole) -> tuple[BaseGeometry | None, BaseGeometry | None]:
    """Outer and inner bound of the outline where the photos leave more than 0.3 mm open."""
    fit, q = whole.exterior.fit, whole.exterior.quality
    solid = Polygon(fit.ring.points_mm).buffer(0)
    outer = inner = None
    if q.high_mm.max(initial=0.0) > 0.3:
        grown = Polygon(fit.ring.points_mm + q.high_mm[:, None] * fit.normal)
        outer = largest_polygon(shapely.union_all([solid, shapely.make_valid(grown)]))
    if q.low_mm.min(initial=0.0) < -0.3:
        shrunk = Polygon(fit.ring.points_mm + q.low_mm[:, None] * fit.normal)
        kept = largest_polygon(solid.intersection(shapely.make_valid(shrunk)))
        inner = None if kept.is_empty else kept
    return outer, inner


def solve_views(
    silhouettes: Sequence[Sequence[Silhouette]],
    views: Sequence[View],
    *,
    calibration: Calibration | None = None,
    typed: Sequence[TypedHeight] = (),
    settings: EdgeSettings | None = None,
    added: Sequence[int] | None = None,
    progress: Callable[[float], None] | None = None,
) -> ViewsSolution:
    """Solve all tools of a lay from the silhouettes of two photos or more.

    Parameters
    ----------
    silhouettes
        Per photo, on z = 0.
    views
        The calibrated camera of each photo.
    calibration
        Adds its own uncertainty to the outlines'.
    typed
        Heights from the tool list: priors, and checked against what the photos show.
    added
        Per photo 0, or the number of the later time it was added to the lay. A tool whose edge
        would be less sure with such a photo is left as the earlier ones give it.
    progress
        Told the share done, 0 to 1.

    Returns
    -------
    ViewsSolution
        The order of the photos does not matter but for the order of the tools.
    """
    cameras = [Camera(v.nadir_mm, v.height_mm) for v in views]
    frames = [frame_of(v) for v in views]
    found = group_silhouettes(silhouettes, cameras)
    tracks, lone, outliers = sort_outliers(found, silhouettes, cameras, frames)
    all_observations = [observations_of(p, silhouettes, cameras, frames) for p in tracks]
    checks: list[Check] = []
    tools: list[SolvedTool] = []
    rings: list[SolvedRing] = []
    seen_from: list[list[Camera]] = []
    solved: list[Track] = []
    for k, observations in enumerate(all_observations):
        row = typed_for(observations, typed, views)
        prior = None if row is None else TypedPrior(row.height_mm, row.sigma_mm)
        siblings = [all_observations[j] for j in siblings_of(tracks, k)]
        best: Solved | None = None
        reason: OutlierReason | None = None
        for trial in growing(observations, added):
            use = [g for g in trial if best is None or g.photo not in best.refused]
            one = solve_tool(use, siblings, prior, settings)
            if isinstance(one, OutlierReason):
                reason = reason or one
                continue
            tool = assemble(one.whole, one.observations, views, calibration, row, one.slips)
            best = surer(best, replace(one, tool=tool), use)
        if progress is not None:
            progress((k + 1) / len(tracks))
        if best is None or best.tool is None:
            reason = reason or OutlierReason.UNCONFIRMED
            outliers += [Outlier(g.photo, s, reason) for g in observations for s in g.silhouettes]
            continue
        own = best.tool.silhouettes[0].silhouette_id
        checks += check_typed(best.whole, prior, own) + check_flat(best.whole, prior, own)
        tools.append(best.tool)
        rings.append(best.whole.exterior)
        seen_from.append([g.camera for g in best.observations])
        solved.append(tracks[k])
    checks += check_outliers(outliers) + check_baselines(cameras)
    checks += check_disputes(solved, tools) + check_slips(tools)
    checks += check_open_edges(tools, rings, seen_from, views[0])
    return ViewsSolution(tuple(tools), tuple(lone), tuple(outliers), tuple(checks))


@dataclass(frozen=True, eq=False)
class Solved:
    """A tool solved from some of the photos that show it; ``refused`` are the others' indices."""

    whole: Whole
    observations: Sequence[Observation]
    slips: Sequence[Slip]
    tool: SolvedTool | None = None
    refused: frozenset[int] = frozenset()


def growing(
    observations: Sequence[Observation], added: Sequence[int] | None
) -> list[Sequence[Observation]]:
    """The photos of a tool as they came: the first ones, then with all that were added next ..."""
    if added is None:
        return [observations]
    times = sorted({added[g.photo] for g in observations})
    trials = [[g for g in observations if added[g.photo] <= time] for time in times]
    return [trial for trial in trials if len(trial) > 1]


def surer(best: Solved | None, found: Solved, tried: Sequence[Observation]) -> Solved:
    """The surer of a tool without and with further photos."""
    if best is None or best.tool is None or found.tool is None:
        return found
    if found.tool.sigma_mm <= best.tool.sigma_mm:
        return replace(found, refused=best.refused)
    used = {g.photo for g in best.observations}
    return replace(best, refused=best.refused | {g.photo for g in tried if g.photo not in used})


def solve_tool(
    observations: Sequence[Observation],
    siblings: Sequence[Sequence[Observation]],
    prior: TypedPrior | None,
    settings: EdgeSettings | None,
) -> Solved | OutlierReason:
    """Solve a tool; without the one photo of three or more that shows it shifted, where one does.

    Returns why it is no tool where it is none.
    """
    whole = solve_together(observations, siblings, prior, settings)
    reason = no_tool(whole, observations, prior)
    if whole is None or reason is not None:
        return reason or OutlierReason.UNCONFIRMED
    moved = slips(whole.exterior.fit, [g.photo for g in observations])
    shifted = {s.photo for s in moved if s.plain}
    if len(shifted) == 1 and len(observations) > 2:
        rest = [g for g in observations if g.photo not in shifted]
        again = solve_together(rest, siblings, prior, settings)
        if again is not None and no_tool(again, rest, prior) is None:
            return Solved(again, rest, moved)
    return Solved(whole, observations, moved)


def no_tool(
    whole: Whole | None, observations: Sequence[Observation], typed: TypedPrior | None
) -> OutlierReason | None:
    """Why what was solved is no tool; None where it is one, or nothing was solved."""
    if whole is None:
        return None
    if mirrored(whole):
        return OutlierReason.MIRRORED
    faint = [np.mean(s.edge_confidence < FAINT) for g in observations for s in g.silhouettes]
    if typed is None and lies_flat(whole.one_height) and min(faint) > STAIN_SHARE:
        return OutlierReason.FLAT
    return None


def mirrored(whole: Whole) -> bool:
    """Whether what was solved lies below the sheet."""
    one = whole.one_height
    return one.z_mm < -max(4.0, 3 * one.sigma_mm)
