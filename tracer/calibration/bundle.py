"""Photos of one lay: each solved alone, joined by the cards they share, then judged together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.calibration.initial import guess_photo, rigid_2d
from tracer.calibration.lay import Lay, Place, Problem, fit_lay, lay_of, view_of
from tracer.calibration.layout import Paper
from tracer.calibration.optics import starting_lens
from tracer.calibration.quality import TOLERATED, Verdict, paper_of, verdicts
from tracer.calibration.solve import Fit
from tracer.errors import TracerError
from tracer.model.card import on_sheet
from tracer.model.view import undistort

__all__ = ["Dropped", "Joined", "join_photos", "settle", "solve_photo"]

Array = NDArray[np.float64]

MIN_SIGMA_PX = 0.05
#: photos solved alone place a card this well, with a share of the lay's extent
ALONE_MM, ALONE_SHARE = 1.0, 0.002
#: photos solved together; bent paper looks shifted by as much from two sides
MOVED_MM = 0.5
MANY_BENT = 0.4  # of all cards
EVEN = 0.2  # of the stretch: what an even stretch may leave over
#: paper lying loose: a card's height over the sheet varies by a millimetre or two
WAVY = Paper(TOLERATED.scale, 0.6)
#: chance, as minus log10, below which tolerated paper does not explain a card
DOUBT = 3.5
#: below which disagreement that cannot be pinned on a card is refused
DOUBT_REFUSED = 5.0
#: beyond which a card that is kept is mentioned
DOUBT_TOLD = 2.0


@dataclass(frozen=True)
class Dropped:
    """A card left out of the fit: its number, the reason, and the photo if only there."""

    number: int
    reason: str
    photo: int | None = None
    moved: bool = False


@dataclass(frozen=True, eq=False)
class Joined:
    """A lay from all photos, ready to be refined."""

    problem: Problem
    lay: Lay
    dropped: tuple[Dropped, ...]


def corner_noise(problem: Problem) -> float:
    """Pooled distance of the corners from flat lattices, per axis, px."""
    squares = [
        (card.sigma_px**2, 2 * len(card.kept) - 8)
        for cards in problem.seen
        for card in cards.values()
    ]
    total = sum(weight for _, weight in squares)
    pooled = sum(square * weight for square, weight in squares) / max(total, 1)
    return max(MIN_SIGMA_PX, float(np.sqrt(pooled)))


def solve_photo(problem: Problem, bend: float) -> Lay:
    """Solve one photo alone, from the best of its first guesses.

    Raises
    ------
    TracerError
        ``cards-do-not-fit`` when no pose can be found.
    """
    optics, cards = problem.optics[0], problem.seen[0]
    lens = np.array(starting_lens(optics, bend))
    ideal = {
        k: undistort(
            (problem.stored_px(0, k) - optics.middle_px) / optics.focal_px, [bend, 0, 0, 0, 0]
        )
        for k in cards
    }
    ideal = {k: p for k, p in ideal.items() if np.all(np.isfinite(p))}
    guesses = guess_photo(
        {k: cards[k] for k in ideal},
        {k: problem.sizes.of(k) for k in ideal},
        ideal,
        optics.focal_px,
    )
    if not guesses or len(ideal) < len(cards):
        raise TracerError(
            "cards-do-not-fit",
            f"The cards of photo {problem.photos[0].name} do not fit any camera position.",
            "Lay the cards flat on one sheet and photograph again.",
        )
    noise = corner_noise(problem)
    best: tuple[float, Fit] | None = None
    for guess in guesses[:3]:
        lay = Lay((lens,), (np.append(guess.pose, 0.0),), guess.places, {})
        fit = fit_lay(problem, lay, noise, TOLERATED, max_steps=15)
        if best is None or fit.cost < 0.99 * best[0]:
            best = fit.cost, fit
    assert best is not None
    return lay_of(best[1], problem.numbers)


def _corners(place: Place, size_mm: tuple[float, float]) -> Array:
    x, y, angle = place
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(unit * size_mm @ np.array([[c, s], [-s, c]]) + (x, y), np.float64)


def _match(
    reference: dict[int, Place], places: dict[int, Place], problem: Problem
) -> tuple[float, Array, list[int], list[int]]:
    """Rigid motion of one photo's cards onto the reference: angle, shift, agreeing, moved."""
    shared = sorted(reference.keys() & places.keys())
    source = {k: _corners(places[k], problem.sizes.of(k)) for k in shared}
    target = {k: _corners(reference[k], problem.sizes.of(k)) for k in shared}

    def apart(angle: float, shift: Array, number: int) -> float:
        c, s = np.cos(angle), np.sin(angle)
        moved = source[number] @ np.array([[c, s], [-s, c]]) + shift
        return float(np.linalg.norm(moved - target[number], axis=1).mean())

    extent = float(np.ptp(np.vstack(list(target.values())), axis=0).max())
    limit = ALONE_MM + ALONE_SHARE * extent
    best: tuple[int, float, list[int]] | None = None
    seeds = [[a, b] for i, a in enumerate(shared) for b in shared[i + 1 :]] or [shared]
    for seed in seeds:
        motion = rigid_2d(*[np.vstack([side[k] for k in seed]) for side in (source, target)])
        distances = {k: apart(*motion, k) for k in shared}
        agree = [k for k in shared if distances[k] <= limit]
        rank = (len(agree), -sum(distances[k] for k in agree))
        if best is None or rank > best[:2]:
            best = (*rank, agree)
    assert best is not None
    agree = best[2]
    if not agree:
        return 0.0, np.zeros(2), [], shared
    angle, shift = rigid_2d(*[np.vstack([side[k] for k in agree]) for side in (source, target)])
    return angle, shift, agree, [k for k in shared if k not in agree]


def join_photos(problem: Problem, lays: list[Lay]) -> Joined:
    """Bring all photos into the frame of one, and find cards that were moved between shots.

    Raises
    ------
    TracerError
        ``photo-without-shared-card`` and ``photo-of-another-lay``, naming the photo.
    """
    order = sorted(range(len(lays)), key=lambda k: -len(lays[k].places))
    first = order[0]
    reference: dict[int, Place] = dict(lays[first].places)
    poses = {first: lays[first].poses[0]}
    dropped: list[Dropped] = []
    waiting = order[1:]
    while waiting:
        photo = max(waiting, key=lambda k: len(reference.keys() & lays[k].places.keys()))
        waiting.remove(photo)
        name = problem.photos[photo].name
        places = dict(lays[photo].places)
        shared = reference.keys() & places.keys()
        if not shared:
            raise TracerError(
                "photo-without-shared-card",
                f"Photo {name} shares no scale card with the other photos.",
                "Photograph so that neighbouring photos show at least two cards in common, or "
                "trace this photo on its own.",
            )
        angle, shift, agree, moved = _match(reference, places, problem)
        # one card alone always fits; two that disagree do not tell which of them was moved
        if len(shared) > 1 and (len(agree) < 2 or len(moved) >= len(agree)):
            raise TracerError(
                "photo-of-another-lay",
                f"The cards {listed(list(shared))} lie differently in photo {name} than in the "
                "other photos.",
                "Give only photos of one lay, between which nothing was moved.",
            )
        for number in moved:
            dropped.append(Dropped(number, "it was moved between the photos", moved=True))
        placed = lays[photo].moved(angle, shift)
        for number, place in placed.places.items():
            reference.setdefault(number, place)
        poses[photo] = placed.poses[0]
    gone = {d.number for d in dropped}
    kept = problem
    for number in gone:
        kept = kept.without(number)
    _need_cards(kept)
    cameras = [
        next(lays[p].lenses[0] for p in order if problem.cameras[p] == c)
        for c in range(max(problem.cameras) + 1)
    ]
    papers = {k: v for p in reversed(order) for k, v in lays[p].papers.items() if k not in gone}
    lay = Lay(
        tuple(cameras),
        tuple(np.append(poses[k][:6], 0.0) for k in range(len(lays))),
        {k: v for k, v in reference.items() if k not in gone},
        papers,
    )
    return Joined(kept, lay, tuple(dropped))


def _need_cards(problem: Problem) -> None:
    for photo, cards in zip(problem.photos, problem.seen, strict=True):
        if not cards:
            raise TracerError(
                "photo-without-usable-card",
                f"No scale card in photo {photo.name} agrees with the others.",
                "Leave this photo out, or lay the cards flat and photograph the lay again.",
            )


def settle(
    problem: Problem, lay: Lay
) -> tuple[Problem, Fit, tuple[Dropped, ...], tuple[Dropped, ...]]:
    """Fit all photos together, leaving out the cards that the others contradict.

    First every card is allowed the faults of ordinary paper. While one is worse than that, the
    worst is left out. What is left must outnumber the cards of another size, or it cannot be told
    which are right. At last the paper's faults are taken from what these cards show. The last value
    names cards that are kept and look odd all the same.

    Raises
    ------
    TracerError
        ``cards-disagree``.
    """
    paper = TOLERATED
    fit = fit_lay(problem, lay, corner_noise(problem), paper)
    bent = sum(v.shape_doubt > DOUBT and not v.flat for v in verdicts(fit))
    if bent < max(2.0, MANY_BENT * len(problem.numbers)):
        problem, fit, dropped = _drop_worst(problem, fit, paper)
    else:
        problem, fit, dropped, paper = _one_card_or_the_paper(problem, fit)
    odd = tuple(
        Dropped(problem.numbers[v.card], _fault(v)) for v in verdicts(fit) if v.doubt > DOUBT_TOLD
    )
    noise = corner_noise(problem)
    for _ in range(2):
        fit = fit_lay(problem, lay_of(fit, problem.numbers), noise, paper_of(fit, paper))
    if fit.chi2_per_freedom > 1:
        fit = fit.reweighted(noise * float(np.sqrt(fit.chi2_per_freedom)))
    return problem, fit, tuple(dropped), odd


def _one_card_or_the_paper(problem: Problem, fit: Fit) -> tuple[Problem, Fit, list[Dropped], Paper]:
    """Many cards look bent: when leaving out one cures all, it was that card, else the paper."""
    try:
        without = _drop_worst(problem, fit, TOLERATED)
        if len(without[2]) < 2:
            return *without, TOLERATED
    except TracerError:
        pass  # no card can be blamed
    fit = fit_lay(problem, lay_of(fit, problem.numbers), corner_noise(problem), WAVY)
    return *_drop_worst(problem, fit, WAVY), WAVY


def _drop_worst(problem: Problem, fit: Fit, paper: Paper) -> tuple[Problem, Fit, list[Dropped]]:
    """Leave out the card that ordinary paper explains worst, again and again, while one is bad."""
    dropped: list[Dropped] = []
    misprinted = 0
    first_doubt = 0.0
    while len(problem.numbers) > 1:
        worst = verdicts(fit)[0]
        if worst.doubt < DOUBT:
            break
        first_doubt = max(first_doubt, worst.doubt)
        numbers = problem.numbers
        number = numbers[worst.card]
        left = len(numbers) - 1
        misprinted += worst.size_doubt > DOUBT
        if left < 2 or misprinted >= left:
            if first_doubt < DOUBT_REFUSED:
                break  # noticeable, not dangerous: the fit's sigma carries it
            raise TracerError(
                "cards-disagree",
                f"The scale cards {listed([*numbers, *(d.number for d in dropped)])} disagree, "
                f"and it cannot be told which are right (card {number}: {_fault(worst)}).",
                "Lay at least four cards of one printing flat on the sheet, or type the size of "
                "each card.",
            )
        lay = lay_of(fit, numbers).without(number)
        whole, problem = problem, problem.without(number)
        _need_cards(problem)
        fit = fit_lay(problem, lay, corner_noise(problem), paper)
        dropped.append(Dropped(number, _seen_fault(whole, fit, number)))
    return problem, fit, dropped


def _apart_mm(problem: Problem, fit: Fit, number: int) -> float:
    """How far apart the photos, as solved together, see a card: largest distance of its middle."""
    places = []
    for k, (photo, cards) in enumerate(zip(problem.photos, problem.seen, strict=True)):
        if number not in cards:
            continue
        card, size = cards[number], problem.sizes.of(number)
        found = view_of(fit, k, photo).to_sheet(card.points_px, problem.sizes.top_mm)
        angle, shift = rigid_2d(on_sheet(card.corners_card_mm, (0.0, 0.0, 0.0), size), found)
        c, s = np.cos(angle), np.sin(angle)
        places.append(np.array([[c, -s], [s, c]]) @ (np.array(size) / 2) + shift)
    return max((float(np.linalg.norm(a - b)) for a in places for b in places), default=0.0)


def _seen_fault(problem: Problem, fit: Fit, number: int) -> str:
    """What is odd about a left-out card, measured on the sheet that the other cards gave."""
    apart_mm = _apart_mm(problem, fit, number)
    if apart_mm > MOVED_MM:
        return f"it was moved by about {apart_mm:.1f} mm between the photos"
    photo = next(k for k, cards in enumerate(problem.seen) if number in cards)
    card = problem.seen[photo][number]
    found = view_of(fit, photo, problem.photos[photo]).to_sheet(
        card.points_px, problem.sizes.top_mm
    )
    shape = on_sheet(card.corners_card_mm, (0.0, 0.0, 0.0), problem.sizes.of(number))
    centred = np.column_stack([shape - shape.mean(axis=0), np.ones(len(shape))])
    affine, *_ = np.linalg.lstsq(centred, found, rcond=None)
    rest_mm = float(np.sqrt(np.mean(np.sum((centred @ affine - found) ** 2, axis=1))))
    long, short = (float(np.linalg.norm(affine[k])) - 1 for k in (0, 1))
    # a wrong size stretches evenly; a bend does not. 100 mm is about a board's reach
    stretch_mm = 100 * max(abs(long), abs(short))
    if rest_mm < EVEN * stretch_mm and min(abs(long), abs(short)) > 0.5 * stretch_mm / 100:
        return _size_fault(long, short)
    return f"it does not lie flat (its corners are off by up to {_off_mm(shape, found):.1f} mm)"


def _off_mm(shape: Array, found: Array) -> float:
    """Largest distance of points from a shape laid on rigidly."""
    angle, shift = rigid_2d(shape, found)
    c, s = np.cos(angle), np.sin(angle)
    away = shape @ np.array([[c, s], [-s, c]]) + shift - found
    return float(np.linalg.norm(away, axis=1).max())


def _size_fault(long: float, short: float) -> str:
    worse = long if abs(long) >= abs(short) else short
    return (
        f"it is {100 * abs(worse):.1f} % {'larger' if worse > 0 else 'smaller'} than its stated "
        "size, or lies higher or lower than the others"
    )


def _fault(verdict: Verdict) -> str:
    """What seems odd about a card while it is still in the fit."""
    if verdict.flat:
        return _size_fault(*verdict.scale)
    return "it does not seem to lie flat"


def listed(numbers: list[int]) -> str:
    """Numbers for a sentence: "1, 2 and 3"."""
    words = [str(n) for n in sorted(numbers)]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
