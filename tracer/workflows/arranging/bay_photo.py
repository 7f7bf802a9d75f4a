"""The size of a bay from one photo of it, cards stuck on its back, its corners marked in the photo.

The cards' calibration gives the plane; a marked corner is where its ray meets it. Six lengths and
four angles follow from four corners, their deviations by propagation: of the map from photo to
plane, of the print's size, and of the mark itself (JCGM 100, 5.1.2: squares of sensitivity times
deviation add).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon

from tracer.calibration.calibrate import calibrate
from tracer.errors import TracerError, UsageError
from tracer.model.calibration import Calibration
from tracer.model.card import CardSizes
from tracer.model.panel import Bay, BayKind
from tracer.model.panel_plan import KeepOutPlan, PanelPlan
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity
from tracer.panel.layout.bay import MISFIT_MM
from tracer.pictures.bay import bay_png
from tracer.progress import Progress, Silent
from tracer.ranges import PLAN

__all__ = ["CORNERS", "MARK_PX", "BayFound", "MarkedKeepOut", "bay_from_photo", "with_bay"]

Array = NDArray[np.float64]

#: in the order in which they are marked
CORNERS = ("lower left", "lower right", "upper right", "upper left")
LENGTHS = ("lower", "left", "upper", "right", "rising", "falling")
#: standard deviation of a mark set by a person at full size, each way: own choice
MARK_PX = 0.7
_STEP_MM = 1e-3
#: sides of a bay are longer than this, as everywhere
_LEAST_MM = PLAN["bay.width_mm"].low


@dataclass(frozen=True)
class MarkedKeepOut:
    """A socket or pipe as it was marked.

    Attributes
    ----------
    marks_px
        Opposite corners of a rectangle along the bay; of a round thing, opposite points of its rim.
    out_mm
        How far in front of the cards' plane the marked points lie.
    """

    name: str
    marks_px: tuple[tuple[float, float], ...]
    round: bool = False
    out_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class BayFound:
    """A bay as a photo shows it.

    Attributes
    ----------
    sigmas_mm
        Standard deviation of each length, by `LENGTHS`.
    square_deg, square_sigma_deg
        By how much each corner is wider than a right angle, in the order of `CORNERS`.
    """

    bay: Bay
    keep_outs: tuple[KeepOutPlan, ...]
    sigmas_mm: dict[str, float]
    square_deg: tuple[float, ...]
    square_sigma_deg: tuple[float, ...]
    picture: bytes
    checks: tuple[Check, ...]

    @property
    def lengths_mm(self) -> dict[str, float]:
        """The six lengths, by `LENGTHS`."""
        bay = self.bay
        values = (bay.width_mm, bay.height_mm, bay.top_mm, bay.right_mm)
        return dict(
            zip(
                LENGTHS,
                [float(v or 0) for v in (*values, bay.rising_mm, bay.falling_mm)],
                strict=True,
            )
        )


def bay_from_photo(
    photo: Photo,
    corners_px: Sequence[tuple[float, float]],
    *,
    kind: BayKind = BayKind.WALL,
    keep_outs: Sequence[MarkedKeepOut] = (),
    out_mm: float = 0.0,
    clear_mm: float = 0.0,
    card_sizes: CardSizes | None = None,
    progress: Progress | None = None,
) -> BayFound:
    """Measure a bay.

    Parameters
    ----------
    corners_px
        In the order of `CORNERS`.
    out_mm
        How far the corners lie in front of the plane that the cards are stuck on; negative: behind.
    clear_mm
        Kept free round each keep-out.

    Raises
    ------
    TracerError
        ``bay-corners-count``, ``bay-corners-crossed``, ``bay-corner-off-plane``,
        ``point-outside-photo``, ``bay-keep-out-outside``, and what `calibrate` raises
        (``no-card`` where none is seen).
    """
    progress = progress or Silent()
    if len(corners_px) != len(CORNERS):
        raise UsageError(
            "bay-corners-count",
            f"{len(corners_px)} corners are marked; a bay has four.",
            f"Mark them in this order: {', '.join(CORNERS)}.",
        )
    for point in (*corners_px, *(p for k in keep_outs for p in k.marks_px)):
        _refuse_outside(point, photo)
    progress.step("cards")
    lay = calibrate([photo], card_sizes=card_sizes, progress=progress.fraction)
    corners = _on_plane(lay, corners_px, out_mm, CORNERS)
    _refuse_order(corners)
    own = _into_bay(corners)
    sigma = _point_sigmas(lay, corners)
    lengths, length_sigmas = _propagated(_lengths, corners, sigma)
    angles, angle_sigmas = _propagated(_angles, corners, sigma)
    length_sigmas = np.hypot(length_sigmas, lengths * lay.scale_sigma)
    width, height, top, right, rising, falling = (round(float(v), 1) for v in lengths)
    bay = Bay(
        kind,
        width,
        height,
        top_mm=top,
        right_mm=right,
        rising_mm=rising,
        falling_mm=falling,
    )
    sigmas = {name: float(s) for name, s in zip(LENGTHS, length_sigmas, strict=True)}
    found = [_keep_out(lay, marked, own, corners, clear_mm) for marked in keep_outs]
    picture = bay_png(
        photo.pixels,
        np.asarray(corners_px, np.float64),
        [f"{v:.0f}" for v in (width, right, top, height)],
        [(k.name, np.asarray(k.marks_px, np.float64), k.round) for k in keep_outs],
    )
    checks = (*lay.checks, *_unsure(sigmas, lay, corners))
    return BayFound(
        bay,
        tuple(found),
        sigmas,
        tuple(float(v) for v in angles),
        tuple(float(v) for v in angle_sigmas),
        picture,
        checks,
    )


def with_bay(plan: PanelPlan, found: BayFound) -> PanelPlan:
    """The plan with the bay that was found and its keep-outs; all else as it is.

    What the plan says of the bay beside its size stays: clear depth, squeeze, height above floor.
    Keep-outs of a found one's name are replaced.
    """
    bay = found.bay
    if plan.bay is not None:
        bay = replace(
            bay,
            clear_depth_mm=plan.bay.clear_depth_mm,
            squeeze_mm=plan.bay.squeeze_mm,
            above_floor_mm=plan.bay.above_floor_mm,
            grip=plan.bay.grip,
        )
    names = {k.name for k in found.keep_outs}
    kept = tuple(k for k in plan.keep_outs if k.name not in names)
    return replace(plan, bay=bay, keep_outs=(*kept, *found.keep_outs))


def _refuse_outside(point: tuple[float, float], photo: Photo) -> None:
    width, height = photo.size_px
    x, y = point
    if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
        raise UsageError(
            "point-outside-photo",
            f"The point ({x:g}, {y:g}) lies outside {photo.name}, which is {width} x {height}"
            " pixels.",
            "Read the point in the upright photo at its full size, x from the left and y from the"
            " top.",
        )


def _on_plane(
    lay: Calibration,
    points_px: Sequence[tuple[float, float]],
    out_mm: float,
    names: Sequence[str],
) -> Array:
    """Points (N, 2) on the sheet's plane, or ``out_mm`` in front of it."""
    view = lay.views[0]
    found = view.to_sheet(points_px, out_mm)
    back = view.to_photo(np.column_stack([found, np.full(len(found), out_mm)]))
    for name, point, here, seen in zip(names, points_px, found, back, strict=True):
        if not np.isfinite(here).all() or math.dist(seen, point) > 1.0:
            raise TracerError(
                "bay-corner-off-plane",
                f"The {name} corner at ({point[0]:g}, {point[1]:g}) does not lie on the plane of"
                " the cards: from the camera nothing of it is seen there.",
                "Mark the corner itself, and stick the cards on the plane that it belongs to.",
            )
    return found


def _refuse_order(corners: Array) -> None:
    """Stop at corners that do not go round a bay, counter-clockwise, a side apart."""
    ring, region = LinearRing(corners), Polygon(corners)
    why = ""
    if min(math.dist(a, b) for a, b in itertools.combinations(corners, 2)) < _LEAST_MM:
        why = "Two of the corners lie at the same place."
    elif not ring.is_simple or region.convex_hull.area > region.area * (1 + 1e-9):
        why = "The corners do not go round the bay one after the other."
    elif not ring.is_ccw:
        why = "The corners go round the bay the other way."
    if why:
        raise UsageError(
            "bay-corners-crossed", why, f"Mark them in this order: {', '.join(CORNERS)}."
        )


def _into_bay(corners: Array) -> Callable[[Array], Array]:
    """Map of the sheet into the bay: its lower left corner at 0, 0, its lower side along x."""
    along = corners[1] - corners[0]
    along = along / np.hypot(*along)
    turn = np.column_stack([along, [-along[1], along[0]]])

    def own(points: Array) -> Array:
        return np.asarray((points - corners[0]) @ turn, np.float64)

    return own


def _point_sigmas(lay: Calibration, points: Array) -> Array:
    """Standard deviation (N,) per axis of marked points on the plane."""
    mark = MARK_PX * lay.views[0].mm_per_px(points)
    return np.asarray(np.hypot(lay.sigma.at(points), mark), np.float64)


def _lengths(c: Array) -> Array:
    pairs = ((0, 1), (3, 0), (2, 3), (1, 2), (0, 2), (3, 1))
    return np.array([math.dist(c[i], c[j]) for i, j in pairs])


def _angles(c: Array) -> Array:
    """By how much each corner is wider than a right angle, degrees."""
    found = []
    for k in range(4):
        u, v = c[(k + 1) % 4] - c[k], c[k - 1] - c[k]
        found.append(math.degrees(math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v))) - 90.0)
    return np.array(found)


def _propagated(of: Callable[[Array], Array], corners: Array, sigma: Array) -> tuple[Array, Array]:
    """Values of a function of the corners (4, 2) and their standard deviations."""
    value = of(corners)
    squares = np.zeros_like(value)
    for k in range(4):
        for axis in (0, 1):
            moved = corners.copy()
            moved[k, axis] += _STEP_MM
            squares += ((of(moved) - value) / _STEP_MM * sigma[k]) ** 2
    return value, np.sqrt(squares)


def _keep_out(
    lay: Calibration,
    marked: MarkedKeepOut,
    own: Callable[[Array], Array],
    corners: Array,
    clear_mm: float,
) -> KeepOutPlan:
    """A keep-out in the bay's frame, what is to stay clear round it included."""
    points = own(
        _on_plane(lay, marked.marks_px, marked.out_mm, [marked.name] * len(marked.marks_px))
    )
    if marked.round:
        middle = points.mean(axis=0)
        radius = float(np.hypot(*(points[0] - points[1]))) / 2 + clear_mm
        low, high = middle - radius, middle + radius
    else:
        low, high = points.min(axis=0) - clear_mm, points.max(axis=0) + clear_mm
    if not Polygon(own(corners)).intersects(Polygon.from_bounds(*low, *high)):
        raise UsageError(
            "bay-keep-out-outside",
            f"The keep-out '{marked.name}' lies outside of the bay.",
            "Look at its marks, and at the order of the bay's corners.",
        )
    width, height = (round(float(v), 1) for v in high - low)
    x, y = (round(float(v), 1) for v in low)
    return KeepOutPlan(marked.name, x, y, width, None if marked.round else height)


def _unsure(sigmas: dict[str, float], lay: Calibration, corners: Array) -> list[Check]:
    """A finding where a length is less sure (twice its deviation) than a tape would make it."""
    name, worst = max(sigmas.items(), key=lambda pair: pair[1])
    if 2 * worst <= MISFIT_MM:
        return []
    far = int(np.argmax(lay.sigma.at(corners)))
    return [
        Check(
            "bay-unsure",
            Severity.WARN,
            f"The bay's {name} {'side' if name in LENGTHS[:4] else 'diagonal'} is sure to"
            f" {2 * worst:.1f} mm only, least so at its {CORNERS[far]} corner.",
            "Stick a card near each corner, and measure the printed cards; or measure that length"
            " with a tape.",
            value=2 * worst,
            limit=MISFIT_MM,
            unit="mm",
        )
    ]
