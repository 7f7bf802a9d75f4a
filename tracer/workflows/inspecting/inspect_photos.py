"""Photos and panels to findings, in memory: which photo shows which panel, and what is in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tracer.errors import TracerError
from tracer.inspection.cells import pocket_cells
from tracer.inspection.judge import PocketLook, judged
from tracer.inspection.learned import Learned
from tracer.inspection.looks import (
    floor_over_face,
    looks_of,
    of_one_colour,
    tone_of_floors,
)
from tracer.inspection.overhang import OverEdge, over_edge
from tracer.inspection.panel_sight import LookedAt, Seen, Sought, seen_mirrored, sight
from tracer.inspection.pattern import floor_rgb, is_pale
from tracer.model.inspection import Found, InspectedPanel, PocketFinding
from tracer.model.panel import Panel
from tracer.model.photo import Photo
from tracer.progress import Progress, StepClock

__all__ = ["Inspected", "PanelAt", "inspect_photos", "looks_in_photo"]

#: two panels whose middles lie this near in one photo, as a share of their size, are one
SAME_PLACE = 0.25
#: a pocket in which so much looks like the floor shows that the floors have the drawn colour
FLOOR_SHOWN = 0.5
ONE_COLOUR = "one even colour: a floor of another colour than drawn?"


@dataclass(frozen=True, eq=False)
class PanelAt:
    """A panel to look for: its name, and what was learned of it where anything was.

    ``confirmed``: its floors were seen before in the colours that are drawn.
    """

    name: str
    panel: Panel
    learned: Learned | None = None
    confirmed: bool = False


@dataclass(frozen=True, eq=False)
class Inspected:
    """By panel's name what was found; photos by name that show none of the panels."""

    panels: Mapping[str, InspectedPanel]
    strangers: tuple[str, ...]
    seconds: Mapping[str, float] = field(default_factory=dict)


def inspect_photos(
    panels: Sequence[PanelAt],
    photos: Sequence[Photo],
    *,
    marks: bool = True,
    progress: Progress | None = None,
) -> Inspected:
    """Look for panels in photos and judge their pockets.

    Parameters
    ----------
    panels
        All that may be in the photos; one photo may show several.
    marks
        Whether printed corner marks may help.

    Raises
    ------
    TracerError
        ``panel-not-seen``, ``panel-mirrored``, ``pocket-not-in-view`` where no photo shows any of
        the panels; ``panel-without-pockets``.
    """
    clock = StepClock(progress)
    for at in panels:
        if not at.panel.pockets:
            raise TracerError(
                "panel-without-pockets",
                f"The panel of {at.name} has no pockets: there is nothing to inspect.",
                "Arrange it again with its tools.",
            )
    sought = [Sought.of(at.panel) for at in panels]
    seen: dict[str, dict[str, tuple[Seen, list[PocketLook]]]] = {}
    strangers: list[tuple[Photo, LookedAt]] = []
    for number, photo in enumerate(photos):
        clock.step(f"photo {photo.name}")
        looked = LookedAt.of(photo)
        found: list[tuple[int, Seen]] = []
        for k, one in enumerate(sought):
            sighted = sight(looked, one, marks=marks)
            clock.fraction((k + 0.8) / len(sought))
            if sighted is not None and sighted.sure:
                found.append((k, sighted))
        found = _one_each(found, sought)
        if not found:
            strangers.append((photo, looked))
        for k, sighted in found:
            key = f"{photo.name} ({number + 1})" if _named_twice(photos, photo) else photo.name
            looks = looks_in_photo(panels[k], sighted, looked)
            seen.setdefault(panels[k].name, {})[key] = (sighted, looks)
    if not seen:
        raise _refusal(panels, sought, strangers)
    clock.stop()
    by_name = {at.name: at for at in panels}
    results = {name: _inspected(by_name[name], by_photo) for name, by_photo in seen.items()}
    return Inspected(results, tuple(p.name for p, _ in strangers), clock.seconds)


def _named_twice(photos: Sequence[Photo], photo: Photo) -> bool:
    return sum(p.name == photo.name for p in photos) > 1


def _one_each(found: list[tuple[int, Seen]], sought: Sequence[Sought]) -> list[tuple[int, Seen]]:
    """Of panels that were put in one place of a photo only the one that fits best."""
    kept: list[tuple[int, Seen, np.ndarray, float]] = []
    for k, seen in sorted(found, key=lambda f: -f[1].sighting.score):
        w, h = sought[k].pattern.size_mm
        corners = seen.sighting.view.to_photo(np.array([[0, 0], [w, 0], [w, h], [0, h]]))
        middle = corners.mean(axis=0)
        size = float(np.linalg.norm(corners[2] - corners[0]))
        if all(np.linalg.norm(middle - m) > SAME_PLACE * min(size, s) for _, _, m, s in kept):
            kept.append((k, seen, middle, size))
    return [(k, seen) for k, seen, _, _ in kept]


def looks_in_photo(at: PanelAt, seen: Seen, looked: LookedAt) -> list[PocketLook]:
    """Figures of all pockets in one photo, and the share of each in the picture."""
    level = looked.levels[-1]
    camera = seen.fit.camera.scaled(level.scale, level.size_px)
    panel, face = at.panel, seen.fit.face
    reads = [pocket_cells(panel, k, level.picture, camera, face) for k in range(len(panel.pockets))]
    floors: dict[tuple[int, int, int], list[int]] = {}
    for k, pocket in enumerate(panel.pockets):
        floors.setdefault(floor_rgb(panel, pocket), []).append(k)
    shown: dict[int, PocketLook] = {}
    for rgb, group in floors.items():
        typed = floor_over_face(panel, panel.pockets[group[0]])
        learned = at.learned.floors.get(rgb) if at.learned is not None else None
        over = tone_of_floors([reads[k] for k in group], typed if learned is None else learned)
        looks = [looks_of(reads[k], over, face.tone_sigma) for k in group]
        # a floor of the drawn colour somewhere in the photo says that the drawing is right
        sure = (
            at.confirmed
            or learned is not None
            or any(one and one.floor > FLOOR_SHOWN for one in looks)
        )
        for k, one in zip(group, looks, strict=True):
            doubt = "" if sure or not of_one_colour(reads[k], panel) else ONE_COLOUR
            deep = one is None and reads[k].hides_floor()
            shown[k] = PocketLook(
                one, reads[k].inside, doubt, is_pale(rgb), deep, reads[k].burnt(),
                over_edge(reads[k], face.tone_sigma) if one is not None else OverEdge.NOT,
            )  # fmt: skip
    return [shown[k] for k in range(len(reads))]


def _inspected(
    at: PanelAt, by_photo: Mapping[str, tuple[Seen, list[PocketLook]]]
) -> InspectedPanel:
    findings = []
    for k, pocket in enumerate(at.panel.pockets):
        told = [(name, looks[k]) for name, (_, looks) in by_photo.items()]
        said = judged([one for _, one in told])
        most = max(told, key=lambda t: t[1].looks.pixels if t[1].looks is not None else -1.0)
        findings.append(
            PocketFinding(
                pocket.pocket_id,
                pocket.number,
                pocket.name,
                said.state,
                said.probability,
                said.by_class,
                said.why,
                most[0],
            )
        )
    findings.sort(key=lambda f: f.number)
    sightings = {name: seen.sighting for name, (seen, _) in by_photo.items()}
    return InspectedPanel(at.panel.title, tuple(findings), sightings)


def _refusal(
    panels: Sequence[PanelAt],
    sought: Sequence[Sought],
    strangers: Sequence[tuple[Photo, LookedAt]],
) -> TracerError:
    """Why no photo counted: mirrored, no pocket in view, another panel."""
    photo, looked = strangers[0]
    which = f"the panel of {panels[0].name}" if len(panels) == 1 else "any of the panels"
    for at, one in zip(panels[:4], sought[:4], strict=True):
        if seen_mirrored(looked, one):
            return TracerError(
                "panel-mirrored",
                f"Photo {photo.name} shows the panel of {at.name} mirrored: it was flipped, or "
                "taken from behind.",
                "Take it from the front and leave it as the phone saved it.",
            )
    for at, one in zip(panels, sought, strict=True):
        near = sight(looked, one)
        if near and near.sighting.found is Found.MARKS and near.fit.inside.mean() < 0.2:
            return TracerError(
                "pocket-not-in-view",
                f"Photo {photo.name} shows marks of the panel of {at.name}, and no pocket.",
                "Step back until the whole panel is in the picture.",
            )
    several = f" and {len(strangers) - 1} more" if len(strangers) > 1 else ""
    return TracerError(
        "panel-not-seen",
        f"Photo {photo.name}{several} does not show {which}, or too little of it to be sure.",
        "Take the whole panel, rim included, from the front; or print corner marks and "
        "stick them on.",
    )
