"""From a settled fit to the `Calibration` that the other stages read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPoint, Polygon

from tracer.calibration.bundle import Dropped
from tracer.calibration.initial import rigid_2d
from tracer.calibration.lay import Place, Problem, fit_lay, lay_of, view_of
from tracer.calibration.quality import paper_of, pose_covariance, sigma_on_sheet, spread_over
from tracer.calibration.solve import Fit
from tracer.model.calibration import Calibration, CardFit, SigmaMap
from tracer.model.card import CardSizes, on_sheet, polygon_mm
from tracer.model.view import View

__all__ = ["assemble", "scale_sigma_of"]

Array = NDArray[np.float64]

#: the print read from a steel rule, about 0.1 mm at each end, common practice, no source
TYPED_SIGMA_MM = 0.15
#: printers set to "actual size" are true to about 0.5 %, common practice, no source
UNTYPED_SIGMA = 0.005
GRID = (17, 13)
BEYOND_HULL_MM = 300.0
FARTHEST_MM, OUTER_LINES = 1500.0, 6  # a tilted photo may reach to the horizon


def assemble(
    problem: Problem, solved: Problem, fit: Fit, dropped: Sequence[Dropped]
) -> Calibration:
    """The calibration of all photos, without its findings.

    Parameters
    ----------
    problem
        All cards seen.
    solved, fit
        The cards used, and their fit.
    dropped
        Why the others were left out.
    """
    views = tuple(view_of(fit, k, photo) for k, photo in enumerate(solved.photos))
    cards = tuple(_card(problem, solved, fit, views, number, dropped) for number in problem.numbers)
    boards = [card.board_mm for card in cards if card.used]
    hull = MultiPoint([p for board in boards for p in board.exterior.coords]).convex_hull
    assert isinstance(hull, Polygon)
    lay_mm = spread_over(np.array(hull.exterior.coords))
    residuals = np.vstack(fit.residuals_px)
    radial = np.hypot(residuals[:, 0], residuals[:, 1])
    return Calibration(
        views=views,
        cards=cards,
        hull_mm=hull,
        sigma=_sigma_map(fit, lay_mm, views),
        pose_cov={view.photo_id: pose_covariance(fit, k, lay_mm) for k, view in enumerate(views)},
        sigma_px=fit.sigma_px,
        rms_px=float(np.sqrt(np.mean(radial**2))),
        max_px=float(radial.max()),
        leave_one_out_mm=_leave_one_out(solved, fit),
        scale_sigma=scale_sigma_of(solved.sizes, solved.numbers),
    )


def scale_sigma_of(sizes: CardSizes, numbers: Sequence[int]) -> float:
    """Of the print size: one ruler and one printer, so several cards do not average it away."""
    return max(
        TYPED_SIGMA_MM / sizes.of(k)[0] if sizes.is_typed(k) else UNTYPED_SIGMA for k in numbers
    )


def _card(
    problem: Problem,
    solved: Problem,
    fit: Fit,
    views: Sequence[View],
    number: int,
    dropped: Sequence[Dropped],
) -> CardFit:
    """One card: used ones as fitted, the others laid on the sheet where they are seen."""
    size = problem.sizes.of(number)
    used = number in solved.numbers
    seen = {
        view: cards[number]
        for view, cards in zip(views, problem.seen, strict=True)
        if number in cards
    }
    if used:
        index = solved.numbers.index(number)
        place = _lower_left(fit.place(index), size)
        expected = {
            view: view.to_photo(
                fit.layout.corner_points(fit.x, np.full(len(card.kept), index), card.kept)[0]
            )
            for view, card in seen.items()
        }
    else:
        view, card = next(iter(seen.items()))
        nominal = on_sheet(card.corners_card_mm, (0.0, 0.0, 0.0), size)
        angle, shift = rigid_2d(nominal, view.to_sheet(card.points_px, problem.sizes.top_mm))
        place = float(shift[0]), float(shift[1]), angle
        expected = {
            view: view.to_photo(on_sheet(card.corners_card_mm, place, size))
            for view, card in seen.items()
        }
    return CardFit(
        number=number,
        size_mm=size,
        placement=place,
        used=used,
        reason=next((d.reason for d in dropped if d.number == number and not used), ""),
        corners_px={view.photo_id: card.points_px for view, card in seen.items()},
        residuals_px={v.photo_id: card.points_px - expected[v] for v, card in seen.items()},
        board_mm=polygon_mm(place, size, paper=False),
        paper_mm=polygon_mm(place, size, paper=True),
    )


def _lower_left(middle: Place, size_mm: tuple[float, float]) -> Place:
    x, y, angle = middle
    c, s = np.cos(angle), np.sin(angle)
    corner = np.array([[c, -s], [s, c]]) @ (-np.array(size_mm) / 2) + (x, y)
    return float(corner[0]), float(corner[1]), angle


def _footprint(views: Sequence[View]) -> Array:
    """Sheet points (N, 2) along the rims of the photos."""
    rims = []
    for view in views:
        w, h = view.size_px
        side = np.linspace(0.0, 1.0, 5)
        rim = [[(s * (w - 1), y) for s in side] for y in (0, h - 1)]
        rim += [[(x, s * (h - 1)) for s in side] for x in (0, w - 1)]
        rims.append(view.to_sheet(np.array(rim, np.float64).reshape(-1, 2)))
    points = np.vstack(rims)
    return np.asarray(points[np.isfinite(points).all(axis=1)], np.float64)


def _grid_lines(low: float, high: float, count: int, far: Array) -> Array:
    """Evenly spaced lines over the lay, and some more as far as the photos reach."""
    lines = [np.linspace(low, high, count)]
    if len(far) and far.min() < low:
        lines.append(np.linspace(far.min(), low, OUTER_LINES))
    if len(far) and far.max() > high:
        lines.append(np.linspace(high, far.max(), OUTER_LINES))
    return np.unique(np.concatenate(lines))


def _sigma_map(fit: Fit, lay_mm: Array, views: Sequence[View]) -> SigmaMap:
    """The worst photo's standard deviation over the lay and as far as the photos reach."""
    low, high = lay_mm.min(axis=0) - BEYOND_HULL_MM, lay_mm.max(axis=0) + BEYOND_HULL_MM
    far = _footprint(views)
    far = np.clip(far, low - FARTHEST_MM, high + FARTHEST_MM)
    x, y = (_grid_lines(low[k], high[k], GRID[k], far[:, k]) for k in (0, 1))
    points = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    sigmas = [
        sigma_on_sheet(fit, photo, lay_mm, points) for photo in range(len(fit.layout.camera_of))
    ]
    return SigmaMap(x, y, np.max(sigmas, axis=0).reshape(len(y), len(x)))


def _leave_one_out(solved: Problem, fit: Fit) -> dict[int, float]:
    """Per card, how far its corners lie from its printed shape when only the others are used.

    The shape is laid on rigidly, so that the card's unknown place does not count.
    """
    errors: dict[int, float] = {}
    paper = paper_of(fit)
    for number in solved.numbers:
        others = solved.without(number)
        if not all(others.seen):
            continue  # some photo would be left without a card
        start = lay_of(fit, solved.numbers).without(number)
        rest = fit_lay(others, start, fit.sigma_px, paper, max_steps=2)
        squares: list[float] = []
        for photo, cards in enumerate(solved.seen):
            if number not in cards:
                continue
            view = view_of(rest, photo, solved.photos[photo])
            found = view.to_sheet(cards[number].points_px, solved.sizes.top_mm)
            shape = on_sheet(
                cards[number].corners_card_mm, (0.0, 0.0, 0.0), solved.sizes.of(number)
            )
            angle, shift = rigid_2d(shape, found)
            c, s = np.cos(angle), np.sin(angle)
            away = shape @ np.array([[c, s], [-s, c]]) + shift - found
            squares += list(np.sum(away**2, axis=1))
        errors[number] = float(np.sqrt(np.mean(squares)))
    return errors
