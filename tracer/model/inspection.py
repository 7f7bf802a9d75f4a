"""What a photo of a panel in use says of it.

Vocabulary
----------
sighting
    One panel found in one photo: the camera over its face (``panel_mm``), and how well the drawing
    fits what the photo shows.
state
    What stands in a pocket: ``present``, ``missing``, ``wrong`` (another tool, or laid wrongly),
    ``unsure`` (covered, cut by the frame, too dark, or simply doubtful).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from tracer.model.view import View

__all__ = ["Found", "InspectedPanel", "PocketFinding", "PocketState", "Sighting"]


class PocketState(StrEnum):
    """What stands in a pocket."""

    PRESENT = "present"
    MISSING = "missing"
    WRONG = "wrong"
    UNSURE = "unsure"


class Found(StrEnum):
    """By what a panel was found."""

    MARKS = "marks"
    DRAWING = "drawing"


@dataclass(frozen=True, eq=False)
class Sighting:
    """One panel found in one photo.

    Attributes
    ----------
    view
        Camera over the panel's face: ``panel_mm``, z towards the camera.
    found
        By what it was found.
    score
        Share of the walls in the picture at which the photo shows an edge where the drawing has it.
    rival
        The same share for the drawing put wrongly (mirrored, turned, shifted): what chance gives.
    rms_mm
        Root mean square of the edges' distances from the drawing, those counted by ``score``.
    bulge_mm
        How far the face's middle stands out.
    """

    view: View
    found: Found
    score: float
    rival: float
    rms_mm: float
    bulge_mm: float = 0.0


@dataclass(frozen=True)
class PocketFinding:
    """What was found in one pocket.

    ``probabilities`` are those of present, missing and wrong by name; ``why`` says in a few words
    why it is unsure or wrong; ``photo`` is the name of the photo that told most.
    """

    pocket_id: str
    number: int
    name: str
    state: PocketState
    probability: float
    probabilities: Mapping[str, float]
    why: str = ""
    photo: str = ""


@dataclass(frozen=True, eq=False)
class InspectedPanel:
    """A panel with all of its pockets, as one or several photos show it."""

    title: str
    findings: tuple[PocketFinding, ...]
    sightings: Mapping[str, Sighting]

    def of_state(self, state: PocketState) -> tuple[PocketFinding, ...]:
        """Pockets of one state, by number."""
        return tuple(f for f in self.findings if f.state is state)
