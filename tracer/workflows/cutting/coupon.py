"""The fit coupon: its files, and a machine profile from what was measured on it."""

from __future__ import annotations

from pathlib import Path

from tracer.atomic import create_atomically, is_there, write_atomically
from tracer.errors import TracerError, UsageError
from tracer.export.drawing.coupon import (
    draw_coupon,
    fit_from_hole,
    kerf_from_strips,
    taper_from_strips,
)
from tracer.export.machine.checks import material_named, refuse_forbidden
from tracer.export.machine.profiles import dxf_options, machine_names, machine_toml, with_reading
from tracer.model.machine import Kerf, Machine
from tracer.model.panel_plan import FitClass
from tracer.panel.pocket.fits import FITS
from tracer.project.store import JobFolder
from tracer.ranges import shown
from tracer.workflows.cutting.sheet_files import sheet_files

__all__ = ["coupon_files", "own_profile", "profile_file", "profile_from_reading", "write_files"]


def coupon_files(
    machine: Machine, material: str, diameter_mm: float, thickness_mm: float, paper: str = "a4"
) -> dict[str, bytes]:
    """Files of the coupon, by name."""
    refuse_forbidden(machine, material_named(material))
    cut, numbers = draw_coupon(diameter_mm, machine)
    sheet = sheet_files(
        f"coupon-{machine.key}",
        "",
        cut,
        numbers,
        machine=machine,
        thickness_mm=thickness_mm,
        dxf=dxf_options(machine),
        paper=paper,
        cautions=machine.cautions,
    )
    return sheet.files


def profile_from_reading(
    machine: Machine,
    *,
    hole: int | None,
    strips_mm: float | None,
    felt: FitClass,
    strips_below_mm: float | None = None,
    thickness_mm: float = 30.0,
) -> Machine:
    """The profile with kerf and taper from the strips and the fit from the hole.

    Parameters
    ----------
    strips_mm, strips_below_mm
        Length of the row on the face that lay up, and on the other one.
    thickness_mm
        Of the foam that the strips were cut from.

    Raises
    ------
    UsageError
        When nothing was read, or a reading cannot be.
    """
    if hole is None and strips_mm is None:
        raise UsageError(
            "coupon-nothing-read",
            "Nothing was read from the coupon.",
            "Type the length of the row of ten strips or the number of the hole, best both.",
        )
    kerf = machine.kerf_mm
    if strips_mm is not None:
        if machine.kerf is Kerf.MACHINE:
            raise UsageError(
                "coupon-strips-wrong",
                f"The {machine.title} allows for its own kerf; the strips tell nothing here.",
                "Set the cutter's width at the machine, and type the hole only.",
            )
        kerf = round(kerf_from_strips(strips_mm), 3)
    offset = None
    if hole is not None:
        offset = fit_from_hole(hole, kerf, machine, FITS[felt].gap_mm)
    taper = None
    if strips_below_mm is not None:
        if strips_mm is None:
            raise UsageError(
                "coupon-nothing-read",
                "The row of strips was measured on its lower face only.",
                "Measure it on the face that lay up as well.",
            )
        kerf_from_strips(strips_below_mm)
        taper = round(taper_from_strips(strips_mm, strips_below_mm, thickness_mm), 4)
    return with_reading(
        machine,
        kerf_mm=kerf if strips_mm is not None else None,
        fit_offset_mm=offset,
        taper_mm_per_10mm=taper,
    )


def write_files(folder: Path, files: dict[str, bytes], *, replacing: bool) -> list[Path]:
    """Write files, each wholly or not at all.

    Raises
    ------
    TracerError
        When a different file of that name is there and ``replacing`` is not set.
    """
    paths = {folder / name: data for name, data in files.items()}
    for path, data in paths.items():
        if is_there(path):
            _refuse_other(path, path.read_bytes() if path.is_file() else b"", data, replacing)
    for path, data in paths.items():
        if replacing or is_there(path):
            write_atomically(path, data)
        else:  # whoever was quicker keeps what is there
            create_atomically(path, data)
    return sorted(paths)


def _refuse_other(path: Path, there: bytes, data: bytes, replacing: bool) -> None:
    if there != data and not replacing:
        raise TracerError(
            "file-exists",
            f"There is already a file {path}.",
            "Choose another folder, or ask to write over it.",
        )


def own_profile(folder: Path, name: str, like: Machine, *, replacing: bool) -> list[Path]:
    """A profile of one's own, to begin with as another is.

    Raises
    ------
    UsageError
        ``machine-file-name`` for a name that is none for a file, or that of a profile that comes
        with the program.
    """
    stem = name.removesuffix(".toml")
    if not stem.isprintable() or set(stem) & set('<>:"/\\|?*') or not stem.strip(". "):
        raise UsageError(
            "machine-file-name",
            f"{shown(name)} is no name for a profile.",
            "Letters, numbers and hyphens will do, such as our-router.",
        )
    if stem in machine_names():
        raise UsageError(
            "machine-file-name",
            f"{stem} is a profile that comes with the program.",
            f"Choose another name, for example our-{stem}.",
        )
    return profile_file(folder / f"{stem}.toml", like, replacing=replacing)


def profile_file(path: Path, machine: Machine, *, replacing: bool) -> list[Path]:
    """Write a profile as TOML."""
    if path.suffix != ".toml":
        raise UsageError(
            "machine-file-name",
            f"A machine profile's file ends in .toml, not '{path.name}'.",
            f"Save it as {path.stem}.toml.",
        )
    data = machine_toml(machine).encode()
    job = JobFolder(path.parent)
    if not job.exists():
        return write_files(path.parent, {path.name: data}, replacing=replacing)
    with job.locked():  # a profile in a job: the former one stays in the job's history
        _refuse_other(path, job.read(path.name) if job.has(path.name) else data, data, replacing)
        job.commit({path.name: data}, if_as_read=True)
    return [path]
