"""Which of several photos belong to one lay, when they do not all do.

Asked only after the photos together were refused: then each is looked at for itself, and the rest
is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from tracer.calibration import CardSizes, detect_cards, grey_of, optics_of, solve_lay
from tracer.errors import TracerError
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity

__all__ = ["ABOUT_ONE_PHOTO", "LeftOut", "belonging", "left_out", "without_doubles"]

#: refusals that may be one photo's fault
ABOUT_ONE_PHOTO = frozenset(
    {
        "cards-disagree",
        "cards-do-not-fit",
        "cards-not-flat",
        "no-card",
        "photo-blurred",
        "photo-mirrored",
        "photo-of-another-lay",
        "photo-without-shared-card",
        "photo-without-usable-card",
    }
)


@dataclass(frozen=True)
class LeftOut:
    """A photo that is not used: its index, and why."""

    photo: int
    error: TracerError


def without_doubles(ids: Sequence[str], names: Sequence[str]) -> tuple[list[int], list[LeftOut]]:
    """Indices of photos that come for the first time, and the others."""
    first: dict[str, str] = {}
    kept, doubles = [], []
    for k, (photo_id, name) in enumerate(zip(ids, names, strict=True)):
        if photo_id in first:
            error = TracerError(
                "photo-twice", f"{first[photo_id]} and {name} are the same photo; it counts once."
            )
            doubles.append(LeftOut(k, error))
        else:
            first[photo_id] = name
            kept.append(k)
    return kept, doubles


def belonging(
    photos: Sequence[Photo], known: int, card_sizes: CardSizes
) -> tuple[list[int], list[LeftOut]]:
    """The photos that can be used together, and the others with the reason.

    Parameters
    ----------
    photos
        All photos; the first ``known`` of them are the lay's own and are not questioned.
    card_sizes
        As typed.

    Returns
    -------
    kept, out
        Indices in order. Without known photos the largest set wins in which every two show the same
        lay; where two sets are equally large nothing is kept, as it cannot be told which is meant.
    """
    out: list[LeftOut] = []
    seen = {}
    for k, photo in enumerate(photos):
        try:
            seen[k] = detect_cards(grey_of(photo), photo.name, optics_of(photo).focal_px)
        except TracerError as error:
            out.append(LeftOut(k, error))

    def refusal(chosen: Sequence[int]) -> TracerError | None:
        try:
            solve_lay([photos[k] for k in chosen], [seen[k] for k in chosen], card_sizes=card_sizes)
        except TracerError as error:
            return error
        return None

    usable = []
    for k in seen:
        alone = refusal([k])
        if alone is None:
            usable.append(k)
        else:
            out.append(LeftOut(k, alone))
    apart = {(i, j): refusal([i, j]) for i, j in combinations(usable, 2)}
    kept = _grown(usable, apart, known) if known else _largest(usable, apart)
    for k in usable:
        if k not in kept and kept:
            reasons = [apart[min(i, k), max(i, k)] for i in kept]
            why = next((r for r in reasons if r is not None), None)
            out.append(LeftOut(k, why or _unlike(photos[k])))
    return kept, sorted(out, key=lambda o: o.photo)


def _fit(k: int, others: Sequence[int], apart: dict[tuple[int, int], TracerError | None]) -> bool:
    return all(apart[min(i, k), max(i, k)] is None for i in others)


def _grown(
    usable: Sequence[int], apart: dict[tuple[int, int], TracerError | None], known: int
) -> list[int]:
    kept = [k for k in usable if k < known]
    for k in usable:
        if k >= known and _fit(k, kept, apart):
            kept.append(k)
    return kept


def _largest(usable: Sequence[int], apart: dict[tuple[int, int], TracerError | None]) -> list[int]:
    """The largest set of photos that all fit each other; empty where there are two such."""
    for size in range(len(usable), 0, -1):
        sets = [
            list(some)
            for some in combinations(usable, size)
            if all(_fit(k, some[:n], apart) for n, k in enumerate(some))
        ]
        if len(sets) == 1:
            return sets[0]
        if sets:
            return []
    return []


def _unlike(photo: Photo) -> TracerError:
    return TracerError(
        "photo-of-another-lay",
        f"{photo.name} does not fit the other photos.",
        "Give only photos of one lay, between which nothing was moved.",
    )


def left_out(out: Sequence[LeftOut], names: Sequence[str]) -> tuple[Check, ...]:
    """One finding per photo that is not used."""
    return tuple(
        Check(
            "photo-left-out",
            Severity.WARN,
            f"{names[o.photo]} was left out: {_lower(o.error.sentence)}",
            o.error.remedy,
            subject_id=names[o.photo],
        )
        for o in out
    )


def _lower(sentence: str) -> str:
    """A sentence as it goes on after a colon: names of files and cards keep their letters."""
    first = sentence.split(" ", 1)[0]
    plain = first.isalpha() and first[1:].islower()
    return sentence[0].lower() + sentence[1:] if plain and "." not in first else sentence
