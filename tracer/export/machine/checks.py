"""What a machine cannot do, or must not: material, sheet, depth."""

from __future__ import annotations

from collections.abc import Sequence

from tracer.errors import TracerError, UsageError
from tracer.export.machine.profiles import materials
from tracer.model.machine import Machine, Material, Verdict
from tracer.model.report import Check, Severity

__all__ = ["job_cautions", "machine_checks", "material_named", "refuse_forbidden"]


def material_named(key: str) -> Material:
    """A foam by its key; UsageError when it is none of the list."""
    known = materials()
    if key not in known:
        raise UsageError(
            "material-unknown",
            f"There is no material '{key}'.",
            f"Known are {', '.join(known)}.",
        )
    return known[key]


#: said until kerf or fit were read from a coupon
NOT_PROVED = (
    "Not yet proven on this machine: its kerf and fit are habits of the trade. Cut the fit coupon, "
    "or one pocket, and try it before the whole sheet."
)


def job_cautions(machine: Machine, material: Material) -> tuple[str, ...]:
    """Sentences that go with every file made for this machine and foam."""
    words = [*machine.cautions] if machine.proved else [*machine.cautions, NOT_PROVED]
    if machine.heat:
        words.append(f"{material.title}: {material.reason}")
    words.append("The machine maker's and the foam maker's data sheets and local rules come first.")
    return tuple(dict.fromkeys(words))


def refuse_forbidden(machine: Machine, material: Material) -> None:
    """Stop before anything is written for a foam that heat must not touch.

    Raises
    ------
    TracerError
        With the reason.
    """
    if machine.heat and material.heat is Verdict.NEVER:
        raise TracerError(
            "material-forbidden",
            f"{material.title} must not be cut with a {machine.title}. {material.reason}",
            "Cut it with a blade or a bit, or name another foam.",
        )


def _heat(machine: Machine, material: Material) -> list[Check]:
    if not machine.heat:
        return []
    return [
        Check(
            slug="material-needs-leave",
            severity=Severity.WARN,
            sentence=f"{material.title} on a {machine.title}: nothing here says that it is safe. "
            f"{material.reason}",
            remedy="Ask the machine's owner in writing, read the foam maker's data sheet, and "
            "follow local rules; extraction on, never unattended.",
            subject_id=material.key,
        )
    ]


def _bed(machine: Machine, size_mm: tuple[float, float]) -> list[Check]:
    fits = any(
        w <= machine.bed_mm[0] and h <= machine.bed_mm[1] for w, h in (size_mm, size_mm[::-1])
    )
    if fits:
        return []
    return [
        Check(
            slug="sheet-exceeds-bed",
            severity=Severity.FAIL,
            sentence=f"The sheet of {size_mm[0]:.0f} x {size_mm[1]:.0f} mm does not fit the bed of "
            f"the {machine.title}, {machine.bed_mm[0]:.0f} x {machine.bed_mm[1]:.0f} mm.",
            remedy="Lay the tools closer together, spread them over two sheets, or set bed_mm in "
            "your own machine profile.",
            value=max(size_mm),
            limit=max(machine.bed_mm),
            unit="mm",
        )
    ]


def _blade(machine: Machine, thickness_mm: float) -> list[Check]:
    """What the blade itself cannot do, where the profile says how large it is."""
    found = []
    if 0 < machine.blade_length_mm < thickness_mm:
        found.append(
            Check(
                slug="blade-too-short",
                severity=Severity.FAIL,
                sentence=f"The blade of the {machine.title} cuts {machine.blade_length_mm:g} mm, "
                f"and the foam is {thickness_mm:g} mm thick.",
                remedy="Fit a longer blade and say so in the profile ([blade] length_mm), or build "
                "the foam from thinner layers.",
                value=machine.blade_length_mm,
                limit=thickness_mm,
                unit="mm",
            )
        )
    if machine.blade_width_mm / 2 > machine.inside_radius_mm:
        found.append(
            Check(
                slug="blade-too-wide",
                severity=Severity.FAIL,
                sentence=f"A blade {machine.blade_width_mm:g} mm wide cannot follow an inside "
                f"radius of {machine.inside_radius_mm:g} mm: half its width is the least.",
                remedy="Raise inside_radius_mm in the profile, or fit a narrower blade.",
                value=machine.inside_radius_mm,
                limit=machine.blade_width_mm / 2,
                unit="mm",
            )
        )
    return found


def machine_checks(
    machine: Machine,
    material: Material,
    *,
    size_mm: tuple[float, float],
    thickness_mm: float,
    depths_mm: Sequence[tuple[str, float | None]],
    least_floor_mm: float = 3.0,
) -> list[Check]:
    """Findings for one sheet on one machine.

    Parameters
    ----------
    depths_mm
        Per pocket its id and depth, None for a cut through.
    least_floor_mm
        Least foam to be left under a pocket (3 mm in a drawer: common practice, no source).
    """
    checks = _heat(machine, material) + _bed(machine, size_mm) + _blade(machine, thickness_mm)
    through = [owner for owner, depth in depths_mm if depth is None]
    if (through or not depths_mm) and thickness_mm > machine.max_depth_mm:
        checks.append(
            Check(
                slug="sheet-too-thick",
                severity=Severity.FAIL,
                sentence=f"The {machine.title} cuts through {machine.max_depth_mm:.0f} mm at most; "
                f"the sheet is {thickness_mm:.0f} mm thick.",
                remedy="Cut two thinner layers and glue them, or use another machine.",
                value=thickness_mm,
                limit=machine.max_depth_mm,
                unit="mm",
            )
        )
    for owner, depth in depths_mm:
        if depth is None:
            continue
        if not machine.cuts_depth:
            checks.append(
                Check(
                    slug="depth-not-possible",
                    severity=Severity.FAIL,
                    sentence=f"{owner}: the {machine.title} cuts right through and cannot leave a "
                    f"floor at {depth:.0f} mm.",
                    remedy=f"Cut a layer {depth:.0f} mm thick through and glue it on a second one.",
                    subject_id=owner,
                    value=depth,
                    unit="mm",
                )
            )
        elif depth > machine.max_depth_mm:
            checks.append(
                Check(
                    slug="pocket-too-deep",
                    severity=Severity.FAIL,
                    sentence=f"{owner}: a depth of {depth:.0f} mm is more than the "
                    f"{machine.max_depth_mm:.0f} mm that the {machine.title} reaches.",
                    remedy="Make the pocket shallower, or build it from layers.",
                    subject_id=owner,
                    value=depth,
                    limit=machine.max_depth_mm,
                    unit="mm",
                )
            )
        if thickness_mm - depth < least_floor_mm:
            checks.append(
                Check(
                    slug="floor-too-thin",
                    severity=Severity.FAIL if depth >= thickness_mm else Severity.WARN,
                    sentence=f"{owner}: a depth of {depth:.0f} mm leaves "
                    f"{thickness_mm - depth:.1f} mm of a sheet of {thickness_mm:.0f} mm."
                    if depth < thickness_mm
                    else f"{owner}: a pocket {depth:.0f} mm deep leaves no floor in a sheet of "
                    f"{thickness_mm:.0f} mm.",
                    remedy="Make the pocket shallower, take a thicker sheet, or cut it through.",
                    subject_id=owner,
                    value=thickness_mm - depth,
                    limit=least_floor_mm,
                    unit="mm",
                )
            )
    return checks
