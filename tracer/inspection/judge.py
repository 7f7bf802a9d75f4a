"""From a pocket's figures to what is in it, with probabilities, and doubt where there is any.

The probabilities come from small networks (one hidden layer each, their mean taken) that were
fitted to rendered photos of panels and calibrated on others; their weights are in
``assets/inspection.json``. Floors of no colour, which bare steel looks like, have networks of
their own that know of them: those doubt more. Hard rules stand above them: a pocket is never called
present while its floor is seen where its tool should hide it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from tracer.inspection.looks import Looks
from tracer.inspection.overhang import OverEdge
from tracer.model.inspection import PocketState

__all__ = ["CLASSES", "Judgement", "PocketLook", "judged", "probabilities"]

Array = NDArray[np.float64]

#: what the networks tell apart; ``covered`` becomes unsure
CLASSES = ("present", "missing", "wrong", "covered")
#: least probability of a state that is said, and most of missing beside present
PRESENT, MISSING, WRONG = 0.80, 0.80, 0.60
MOST_MISSING_BESIDE_PRESENT = 0.04
MISSING_IF_PALE = 0.95
#: on a floor of no colour only a tool of another tone is called present, and never one burnt out:
#: a lamp's own tone, gone where the floor is burnt out, makes half as much of a difference
LEAST_TONE_IF_PALE, MOST_BURNT_IF_PALE = 0.7, 0.1
#: above these a floor is seen, whatever the networks say
MOST_FLOOR, MOST_FLOOR_CORE, MOST_FLOOR_BLOB = 0.20, 0.25, 0.20
#: floor and face as typed differ by less than this, in tone and in brightness (logarithms): a floor
#: cannot be told from whatever else is not face
LEAST_CONTRAST, LEAST_BRIGHTER = 0.5, 0.7
#: more of it too dark to say: nothing is called present
MOST_DARK = 0.5
#: what differs from the floor by less than this in tone is not called present: a floor with one or
#: two channels burnt out by a flash was, once
LEAST_TONE = 0.5
#: how much likelier a wrong tool than the right one reaches over its pocket's edge: about a third
#: of those that were taken for the right one did, and of 414 full pockets none with a lip, four
#: under a thing in front of the tool's colour
WRONG_BY_EDGE = {OverEdge.NOT: 1.0, OverEdge.ENDS: 100.0, OverEdge.GOES_ON: 10.0}
#: least share of a pocket in the picture
LEAST_INSIDE = 0.8
#: something lies over the face around: nothing is called present
MOST_COVER = 0.4
#: figures this far from all that were fitted to (scaled units) are doubted
STRANGE = 9.0


@dataclass(frozen=True)
class PocketLook:
    """One pocket in one photo: its figures, its share in the picture, a reason to doubt it.

    ``pale``: its floor has no colour of its own, so that bare steel looks like it.
    ``burnt``: share that is burnt out white.
    ``over_edge``: whether its content reaches onto the face.
    ``hides_floor``: so deep and narrow that its floor is not seen from where the camera stood.
    """

    looks: Looks | None
    inside: float
    doubt: str = ""
    pale: bool = False
    hides_floor: bool = False
    burnt: float = 0.0
    over_edge: OverEdge = OverEdge.NOT

    @property
    def may_be_pale_floor(self) -> bool:
        """Whether what is seen may be a floor of no colour in some light."""
        if not self.pale or self.looks is None:
            return False
        return self.looks.tone_off < LEAST_TONE_IF_PALE or self.burnt > MOST_BURNT_IF_PALE


@dataclass(frozen=True)
class Judgement:
    """State, its probability, those of all classes, and a reason where it is not present."""

    state: PocketState
    probability: float
    by_class: dict[str, float]
    why: str = ""


@cache
def _networks(pale: bool) -> tuple[Array, Array, list[list[Array]]]:
    text = (resources.files("tracer") / "assets" / "inspection.json").read_text("utf-8")
    body = json.loads(text)
    if tuple(body["figures"]) != Looks.names() or tuple(body["classes"]) != CLASSES:
        raise RuntimeError("The inspection's weights are of other figures.")
    part = body["pale" if pale else "coloured"]
    nets = [[np.array(one, np.float64) for one in net] for net in part["networks"]]
    return np.array(part["mean"]), np.array(part["scale"]), nets


def probabilities(looks: Looks, *, pale: bool = False) -> Array:
    """Probability (4,) of each of `CLASSES`; ``pale``: the floor has no colour of its own."""
    mean, scale, nets = _networks(pale)
    x = np.clip((looks.vector() - mean) / scale, -STRANGE, STRANGE)
    total = np.zeros(len(CLASSES))
    for w1, b1, w2, b2 in nets:
        z = np.tanh(x @ w1 + b1) @ w2 + b2
        e = np.exp(z - z.max())
        total += e / e.sum()
    return np.asarray(total / len(nets), np.float64)


def judged(seen: Sequence[PocketLook]) -> Judgement:
    """What one pocket holds, from one or several photos of it.

    Parameters
    ----------
    seen
        The pocket by photo. Of several photos the probabilities' geometric mean counts, so that one
        that contradicts brings doubt.
    """
    told = [s for s in seen if s.looks is not None and s.inside >= LEAST_INSIDE]
    usable = [s.looks for s in told if s.looks is not None]
    if not usable:
        if any(s.hides_floor for s in seen):
            why = "so deep that its floor is not seen from there"
        else:
            cut = any(s.inside > 0.02 for s in seen)
            why = "cut by the picture's rim" if cut else "not in the picture"
        return Judgement(PocketState.UNSURE, 0.0, {}, why)
    by_photo = [
        _with_edge(probabilities(s.looks, pale=s.pale), s.over_edge)
        for s in told
        if s.looks is not None
    ]
    logs = [np.log(np.maximum(p, 1e-9)) for p in by_photo]
    p = np.exp(np.mean(logs, axis=0))
    p /= p.sum()
    by_class = dict(zip(CLASSES, p.tolist(), strict=True))
    said = _said(by_class, usable)
    doubtful_missing = (
        said.state is PocketState.MISSING
        and said.probability < MISSING_IF_PALE
        and any(s.pale for s in seen)
    )
    doubtful_present = said.state is PocketState.PRESENT and any(s.may_be_pale_floor for s in told)
    if doubtful_missing or doubtful_present:
        why = "a pale floor, or bare steel"
        return Judgement(PocketState.UNSURE, said.probability, by_class, why)
    doubts = [s.doubt for s in seen if s.doubt and s.looks is not None]
    if said.state is PocketState.PRESENT and doubts:
        return Judgement(PocketState.UNSURE, said.probability, by_class, doubts[0])
    return said


def _with_edge(p: Array, over_edge: OverEdge) -> Array:
    """Between present and wrong the edge has its say (Bayes); missing and covered stay."""
    present, wrong = CLASSES.index("present"), CLASSES.index("wrong")
    both, odds = p[present] + p[wrong], WRONG_BY_EDGE[over_edge] * p[wrong]
    out = p.copy()
    out[wrong] = both * odds / max(odds + p[present], 1e-12)
    out[present] = both - out[wrong]
    return out


def _said(by_class: dict[str, float], usable: Sequence[Looks]) -> Judgement:
    floor_seen = any(
        looks.floor > MOST_FLOOR
        or looks.floor_core > MOST_FLOOR_CORE
        or looks.floor_blob > MOST_FLOOR_BLOB
        or looks.tone_off < LEAST_TONE
        for looks in usable
    )
    plain = any(
        looks.contrast < LEAST_CONTRAST and abs(looks.brighter) < LEAST_BRIGHTER for looks in usable
    )
    covered = max(looks.cover for looks in usable)
    dark = max(looks.dark for looks in usable)
    if by_class["missing"] >= MISSING:
        return Judgement(PocketState.MISSING, by_class["missing"], by_class)
    if covered > MOST_COVER or by_class["covered"] > 0.5:
        return Judgement(PocketState.UNSURE, 1 - by_class["covered"], by_class, "covered")
    if by_class["wrong"] >= WRONG:
        why = "another tool, or laid otherwise than drawn"
        return Judgement(PocketState.WRONG, by_class["wrong"], by_class, why)
    if (
        by_class["present"] >= PRESENT
        and by_class["missing"] <= MOST_MISSING_BESIDE_PRESENT
        and not floor_seen
        and not plain
        and dark <= MOST_DARK
    ):
        return Judgement(PocketState.PRESENT, by_class["present"], by_class)
    why = (
        "its floor has the face's colour"
        if plain
        else "too dark"
        if dark > MOST_DARK
        else "doubtful"
    )
    return Judgement(PocketState.UNSURE, max(by_class.values()), by_class, why)
