"""A photo of the empty panel to the colours of its floors, kept in the job."""

from __future__ import annotations

from tracer.errors import TracerError
from tracer.inspection.cells import pocket_cells
from tracer.inspection.learned import learned_floor
from tracer.inspection.looks import looks_of
from tracer.inspection.panel_sight import LookedAt, Sought, sight
from tracer.inspection.pattern import floor_rgb
from tracer.model.photo import Photo
from tracer.project.learned_file import dump_learned
from tracer.project.store import JobFolder
from tracer.workflows.inspecting.inspect_job import LEARNED, panel_of_job

__all__ = ["learn_empty"]

#: share of a pocket that has the learned floor's colour when it is empty, and of pockets so
EMPTY_FLOOR, EMPTY_POCKETS = 0.5, 0.8


def learn_empty(folder: JobFolder, photo: Photo) -> tuple[str, int]:
    """Learn from a photo of the empty panel; the file's name, and pockets that it rests on.

    Raises
    ------
    TracerError
        ``panel-not-seen``, ``panel-not-empty``, and as `panel_of_job`.
    """
    panel = panel_of_job(folder)
    looked = LookedAt.of(photo)
    seen = sight(looked, Sought.of(panel))
    if seen is None or not seen.sure:
        raise TracerError(
            "panel-not-seen",
            f"Photo {photo.name} does not show the panel of {folder.name}, or too little of it.",
            "Take the whole empty panel, rim included, from the front.",
        )
    level = looked.levels[-1]
    camera = seen.fit.camera.scaled(level.scale, level.size_px)
    face = seen.fit.face
    reads = [pocket_cells(panel, k, level.picture, camera, face) for k in range(len(panel.pockets))]
    floors, empty = {}, 0
    for rgb in {floor_rgb(panel, p) for p in panel.pockets}:
        group = [r for r, p in zip(reads, panel.pockets, strict=True) if floor_rgb(panel, p) == rgb]
        over = learned_floor(group)
        if over is None:
            continue
        floors[rgb] = over
        looks = [looks_of(r, over, face.tone_sigma) for r in group]
        empty += sum(one is not None and one.floor > EMPTY_FLOOR for one in looks)
    if empty < EMPTY_POCKETS * len(panel.pockets):
        raise TracerError(
            "panel-not-empty",
            f"Only {empty} of {len(panel.pockets)} pockets in photo {photo.name} show a floor of "
            "one colour: the panel is not empty, or hardly seen.",
            "Take all tools out, and the photo in even light.",
        )
    with folder.locked():
        folder.commit({LEARNED: dump_learned(floors, photo.name)})
    return LEARNED, empty
