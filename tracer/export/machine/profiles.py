"""Machine profiles and materials: TOML files, ours or the shop's own.

A profile file holds every field; ``tracer coupon`` writes one with the kerf and fit that a test
cut gave.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from tracer.errors import TracerError, UsageError
from tracer.export.dxf.write import DxfOptions, DxfVersion
from tracer.export.machine.profile_text import TABLES, machine_toml
from tracer.loading import parse_toml, read_file, text_of
from tracer.model.drawing import Layer
from tracer.model.machine import Kerf, Machine, Material, Verdict
from tracer.ranges import COUNTS, LONGEST_TEXT, MOST_BYTES, PROFILE, shown

__all__ = [
    "dxf_options",
    "machine_names",
    "machine_toml",
    "materials",
    "parse_machine",
    "read_machine",
    "with_reading",
]

_ASSETS = resources.files("tracer") / "assets"
#: plain fields of a profile: the type that a value must have
_FIELDS: dict[str, type] = {
    "title": str,
    "cuts_depth": bool,
    "heat": bool,
    "bed_mm": list,
    "max_depth_mm": float,
    "kerf_mm": float,
    "kerf": str,
    "inside_radius_mm": float,
    "relief": bool,
    "cut_sigma_mm": float,
    "feed_mm_min": float,
    "rapid_mm_min": float,
    "pass_depth_mm": float,
    "plunge_s": float,
    "cautions": list,
}
#: fields of the optional tables that are no lengths or other plain numbers
_KINDS: dict[str, type] = {
    "dxf.version": str,
    "dxf.straight": bool,
    "tab.count": int,
    "fit.proved": bool,
}
_TABLES: dict[str, dict[str, type]] = {
    table: {name: _KINDS.get(f"{table}.{name}", float) for name in fields}
    for table, fields in TABLES.items()
}
#: signs that DXF keeps for itself in names (DXF reference, symbol table names)
_NOT_IN_LAYERS = set('<>/\\":;?*|=`,')


def machine_names() -> list[str]:
    """Names of the profiles that come with the program."""
    folder = _ASSETS / "machines"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name[-5:] == ".toml")


def read_machine(name_or_file: str) -> Machine:
    """A profile by its name, or from a TOML file.

    Raises
    ------
    TracerError
        When there is no such profile, or the file is not one.
    """
    if name_or_file in machine_names():
        text = (_ASSETS / "machines" / f"{name_or_file}.toml").read_text("utf-8")
        return parse_machine(text, name_or_file)
    path = Path(name_or_file)
    if path.suffix == ".toml":

        def refuse(why: str) -> TracerError:
            return TracerError(
                "machine-file-unreadable",
                f"The machine profile {path} cannot be read: {why}.",
                "Check its name and place.",
            )

        data = read_file(path, MOST_BYTES["machine profile"], refuse)
        return parse_machine(text_of(data, refuse), path.stem)
    near = difflib.get_close_matches(name_or_file, machine_names(), 1)
    raise UsageError(
        "machine-unknown",
        f"There is no machine '{name_or_file}'."
        + (f" Did you mean {near[0]}?" if near else f" Known are {', '.join(machine_names())}."),
        "Your own profile is a file ending in .toml.",
    )


def _bad(key: str, why: str) -> TracerError:
    return TracerError(
        "machine-profile-wrong",
        f"The machine profile {key} is not right: {why}.",
        "Start from a profile that tracer coupon wrote, and change one thing at a time.",
    )


def _typed(value: Any, kind: type, name: str, key: str) -> Any:
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise _bad(key, f"{name} must be {_WORDS[kind]}, not {shown(value)}")
    if isinstance(value, str) and len(value) > LONGEST_TEXT:
        raise _bad(key, f"{name} has {len(value)} letters, and at most {LONGEST_TEXT} fit")
    span = PROFILE.get(name)
    if kind in (float, int) and span is not None and value not in span:
        raise _bad(key, f"{name} must be {span.words}, not {shown(value)}")
    return value


_WORDS = {
    str: "a text",
    bool: "true or false",
    list: "a list",
    float: "a number",
    int: "a whole number",
}


def _table(raw: Any, known: Mapping[str, type], key: str, of: str) -> dict[str, Any]:
    if not isinstance(raw, dict):
        raise _bad(key, f"{of.rstrip('.')} must be a table, not {shown(raw)}")
    for name in raw:
        if name not in known:
            near = difflib.get_close_matches(name, list(known), 1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise _bad(key, f"there is no field {shown(of + name)}{hint}")
    return {n: _typed(raw[n], kind, of + n, key) for n, kind in known.items() if n in raw}


def _layers(raw: Any, key: str) -> dict[str, str]:
    """Own layer names, fit for a DXF file."""
    if not isinstance(raw, dict) or not all(isinstance(v, str) for v in raw.values()):
        raise _bad(key, "layers must be a table of names")
    for operation, name in raw.items():
        if not 0 < len(name) <= 60 or not name.isprintable() or _NOT_IN_LAYERS & set(name):
            raise _bad(
                key,
                f"layers.{operation} cannot be {shown(name)}: a layer's name has 1 to 60 letters,"
                f" none of {' '.join(sorted(_NOT_IN_LAYERS))}",
            )
    return dict(raw)


def _colours(raw: Any, key: str) -> dict[str, tuple[int, int, int]]:
    if not isinstance(raw, dict):
        raise _bad(key, "colours must be a table of colours")
    table = {}
    for name, value in raw.items():
        try:
            Layer.parse(name) if "-" in name and name[-1].isdigit() else None
            digits = str(value).removeprefix("#")
            r, g, b = bytes.fromhex(digits)
        except ValueError as error:
            raise _bad(
                key, f"colours.{name} must look like '#1a2b3c', not {shown(value)}"
            ) from error
        table[name] = (r, g, b)
    return table


def parse_machine(text: str, key: str) -> Machine:
    """A profile from TOML text.

    Raises
    ------
    TracerError
        Naming the field that is missing, unknown or of the wrong kind.
    """
    if not key.isprintable():  # it is part of the names of cutting files
        raise _bad(shown(key).strip("'"), "its name holds bytes that are no letters; rename it")
    raw = parse_toml(
        text.encode("utf-8", "replace"),
        lambda why: _bad(key, why),
        MOST_BYTES["machine profile"],
    )
    names = _layers(raw.pop("layers", {}), key)
    colours = _colours(raw.pop("colours", {}), key)
    tables = {n: _table(raw.pop(n, {}), known, key, f"{n}.") for n, known in _TABLES.items()}
    values = _table(raw, _FIELDS, key, "")
    if missing := [n for n in _FIELDS if n not in values]:
        raise _bad(key, f"the field {missing[0]} is missing")
    bed = values["bed_mm"]
    if len(bed) != 2 or not all(v in PROFILE["bed_mm"] for v in bed):
        raise _bad(key, f"bed_mm must be two lengths, [width, height], of {PROFILE['bed_mm'].span}")
    most = int(COUNTS["cautions of a machine profile"].high)
    cautions = values["cautions"]
    if len(cautions) > most or not all(
        isinstance(c, str) and len(c) <= 2 * LONGEST_TEXT for c in cautions
    ):
        raise _bad(key, f"cautions must be a list of at most {most} sentences")
    if values["kerf"] not in Kerf._value2member_map_:
        raise _bad(key, f"kerf must be one of {', '.join(Kerf)}, not {shown(values['kerf'])}")
    dxf = tables["dxf"]
    if dxf.get("version", "R2000") not in DxfVersion._value2member_map_:
        raise _bad(key, f"dxf.version must be one of {', '.join(DxfVersion)}")
    values |= {
        "bed_mm": (float(bed[0]), float(bed[1])),
        "kerf": Kerf(values["kerf"]),
        "cautions": tuple(cautions),
    }
    typed = {
        TABLES[table][name][0]: value
        for table, fields in tables.items()
        for name, value in fields.items()
    }
    return Machine(key=key, **values, **typed, layer_names=names, colours=colours)


def dxf_options(machine: Machine, version: DxfVersion | None = None) -> DxfOptions:
    """How a machine's DXF files are written."""
    return DxfOptions(
        version=version or DxfVersion(machine.dxf_version),
        straight=machine.straight,
        straight_tolerance_mm=machine.straight_tolerance_mm,
        colours=machine.colours,
        layer_names=machine.layer_names,
    )


def materials() -> dict[str, Material]:
    """Foams by key, with what is known about cutting them with heat."""
    raw = tomllib.loads((_ASSETS / "materials.toml").read_text("utf-8"))
    return {
        key: Material(key, m["title"], Verdict(m["heat"]), m["reason"], m["gives_mm"])
        for key, m in raw.items()
    }


def with_reading(
    machine: Machine,
    *,
    kerf_mm: float | None,
    fit_offset_mm: float | None,
    taper_mm_per_10mm: float | None = None,
) -> Machine:
    """The profile with what a test cut gave; it counts as proved from then on."""
    machine = replace(machine, proved=True)
    if kerf_mm is not None:
        machine = replace(machine, kerf_mm=kerf_mm)
    if fit_offset_mm is not None:
        machine = replace(machine, fit_offset_mm=fit_offset_mm)
    if taper_mm_per_10mm is not None:
        machine = replace(machine, taper_mm_per_10mm=taper_mm_per_10mm)
    return machine
