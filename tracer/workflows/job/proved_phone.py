"""What trials said of the phone that took a lay's photos, and what a new lay makes of it.

A lay keeps the shift that held when it was first traced: the same job gives the same outlines,
whatever is tried later.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from tracer.errors import TracerError
from tracer.model.lay_settings import LaySettings
from tracer.photos import camera_of
from tracer.project.phones import Phones, load_phones
from tracer.project.printer import is_printed
from tracer.project.schema import LayRecord, load_job
from tracer.project.store import JobFolder
from tracer.workflows.job.sample import Sample

__all__ = ["not_proved", "sample_of", "with_proved_edge"]

#: said until a trial was typed
PHONE_NOT_PROVED = (
    "The phone is not yet proven: how true it measures was not tried with things of known size."
    " Make a trial, or lay a tool on the template first."
)
SCANNER_NOT_PROVED = (
    "The scanner is not yet proven: how true it measures is known by its card alone. Lay a part on"
    " the template first."
)
PRINTER_NOT_PROVED = (
    "The printer is not yet proven: nobody typed what its bars of 100 mm measure. Hold a rule to"
    " them before you cut by a template."
)


def sample_of(measured: Mapping[str, tuple[float, ...]]) -> Sample:
    """All that one phone measured, by photo, as one sample."""
    photos = [values for values in measured.values() if values]
    return Sample(
        tuple(v for values in photos for v in values),
        tuple(sum(values) / len(values) for values in photos),
    )


def with_proved_edge(settings: LaySettings, photos: Iterable[tuple[str, bytes]]) -> LaySettings:
    """The settings of a new lay, with the shift that trials showed for the phone of its photos.

    Parameters
    ----------
    photos
        Name and bytes of each. Photos of several phones are moved by none of them.
    """
    if settings.edge_shift_mm is not None or not (phones := load_phones()):
        return settings
    cameras = {_camera(data, name) for name, data in photos}
    known = [phones[c] for c in cameras if c in phones]
    if len(cameras) != 1 or not known:
        return settings
    return replace(settings, edge_shift_mm=round(sample_of(known[0]).correction_mm, 3))


def _camera(data: bytes, name: str) -> str:
    try:
        return camera_of(data, name)
    except TracerError:
        return ""  # the run itself will tell what is wrong with it


def not_proved(folder: JobFolder) -> tuple[str, ...]:
    """Sentences for the job sheet about what was not tried yet: phone, scanner, printer."""
    try:
        lays = load_job(folder.read("job.json"), "job.json").lays
    except TracerError:  # a cut needs no more of the record than this
        words = [PHONE_NOT_PROVED]
    else:
        tried = _all_tried(folder, load_phones(), [lay for lay in lays if not lay.scan])
        words = [] if tried else [PHONE_NOT_PROVED]
        words += [SCANNER_NOT_PROVED] if any(lay.scan for lay in lays) else []
    return (*words, *(() if is_printed() else (PRINTER_NOT_PROVED,)))


def _all_tried(folder: JobFolder, phones: Phones, lays: Sequence[LayRecord]) -> bool:
    """Whether a trial was made with every phone that took the lays' photos."""
    files = [(p.file, p.name) for lay in lays for p in lay.photos]
    return all(
        bool(phones) and folder.has(f) and _camera(folder.read(f), n) in phones for f, n in files
    )
