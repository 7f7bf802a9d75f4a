"""The new tool out of its photos: traced alone, and whole.

Nobody types a list for one tool, so nothing tells that a steel head and the coloured handles behind
it are one thing. What touches in a photo of one tool belongs together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from tracer.geometry.compare import iou
from tracer.model.corrections import Corrections
from tracer.model.outline import HeightSource
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Silhouette
from tracer.model.view import PlaneMap
from tracer.photos import decode_photo
from tracer.progress import StepClock
from tracer.project.schema import LayRecord
from tracer.workflows.job.job_files import lay_options
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.job.usable_edits import refuse_outside
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace, trace

__all__ = ["trace_new"]

#: pieces of one thing meet; tools lie 15 mm apart, as the guide to photographs says
TOUCH_MM = 1.5
#: a piece that covers a tool of the lay by so much is that tool
SAME = 0.5

Joints = tuple[tuple[tuple[float, float], tuple[float, float]], ...]


def trace_new(
    photo_files: Sequence[PhotoFile],
    settings: LayRecord,
    height_mm: float | None,
    point_px: tuple[float, float] | None,
    clock: StepClock,
    beside: Callable[[Trace], Sequence[BaseGeometry]],
    cache: StageCache | None = None,
    *,
    height_typed: bool = True,
) -> tuple[Trace, tuple[Check, ...]]:
    """Trace the photos of a new tool, its pieces made one; what has to be said of that.

    Parameters
    ----------
    height_mm
        Of the new tool.
    point_px
        A point on it in the first photo, where somebody gave one.
    beside
        Gives the tools of the lay that these photos show too, in their frame.
    cache
        Remembers stages between calls: the same photos with another point cost little.
    height_typed
        The height was typed for this tool; otherwise it is that of the one whose place it takes,
        and as vague as a lay's default height.

    Raises
    ------
    TracerError
        As `trace`; ``point-outside`` for a point outside its photo.
    """
    clock.step("reading photos")
    photos = [decode_photo(f.data, f.name) for f in photo_files]
    clock.stop()
    if point_px is not None:
        refuse_outside(Corrections(keep=(point_px,)), photos[0].size_px, photos[0].name)
    source = HeightSource.TYPED if height_typed else HeightSource.DEFAULT
    options = replace(lay_options(settings), default_height_mm=height_mm, height_source=source)
    cache = cache or StageCache()
    done = trace(photos, (), options=options, progress=clock.receiver, cache=cache)
    known = beside(done)
    spot = None
    if point_px is not None:
        spot = Point(done.calibration.views[0].to_sheet([point_px])[0])
    joints = {
        segmentation.photo_id: joints_of(segmentation.silhouettes, view, known, spot)
        for segmentation, view in zip(done.segmentations, done.calibration.views, strict=True)
    }
    told: tuple[Check, ...] = ()
    if any(joints.values()):
        joined = {photo: Corrections(merge=pairs) for photo, pairs in joints.items() if pairs}
        options = replace(options, corrections=joined)
        done = trace(photos, (), options=options, progress=clock.receiver, cache=cache)
        told = (_joined(1 + max(len(pairs) for pairs in joints.values())),)
    typed = tuple(
        replace(o, height_source=HeightSource.TYPED)
        if o.height_source is HeightSource.DEFAULT
        else o
        for o in done.outlines
    )
    return replace(done, outlines=typed), told


def joints_of(
    silhouettes: Sequence[Silhouette],
    view: PlaneMap,
    known: Sequence[BaseGeometry],
    spot: Point | None,
) -> Joints:
    """Pairs of photo points whose pieces are to be made one; none where it is not clear which.

    Without a point the photo has to show one thing alone, in whatever pieces.
    """
    free = [s for s in silhouettes if not any(iou(s.region, k) > SAME for k in known)]
    groups = _touching(free)
    if spot is not None and groups:
        groups = [min(groups, key=lambda g: min(s.region.distance(spot) for s in g))]
    if len(groups) != 1:
        return ()
    pairs = []
    first, *rest = _in_order(groups[0])
    done = [first]
    for piece in rest:
        to = next(d for d in done if d.region.distance(piece.region) <= TOUCH_MM)
        pairs.append((_point(to, view), _point(piece, view)))
        done.append(piece)
    return tuple(pairs)


def _touching(pieces: Sequence[Silhouette]) -> list[list[Silhouette]]:
    """Pieces that hang together, group by group."""
    left, groups = list(pieces), []
    while left:
        group, grown = [left.pop(0)], True
        while grown:
            near = [p for p in left if any(p.region.distance(g.region) <= TOUCH_MM for g in group)]
            left = [p for p in left if all(p is not n for n in near)]
            group += near
            grown = bool(near)
        groups.append(group)
    return groups


def _in_order(group: Sequence[Silhouette]) -> list[Silhouette]:
    """The largest first, then always one that touches those before."""
    left = sorted(group, key=lambda s: -s.region.area)
    done = [left.pop(0)]
    while left:
        piece = next(p for p in left if any(p.region.distance(d.region) <= TOUCH_MM for d in done))
        left = [p for p in left if p is not piece]
        done.append(piece)
    return done


def _point(silhouette: Silhouette, view: PlaneMap) -> tuple[float, float]:
    inside = silhouette.region.representative_point()
    x, y = view.to_photo([[inside.x, inside.y]])[0]
    return float(x), float(y)


def _joined(pieces: int) -> Check:
    return Check(
        "swap-pieces-joined",
        Severity.WARN,
        f"The new tool was seen in {pieces} pieces that touch; they were taken for one tool.",
        "Look at the picture of the swap. Photograph the tool on a sheet of another colour if one"
        " of the pieces is something else.",
        value=float(pieces),
    )
