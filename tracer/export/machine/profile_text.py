"""A machine profile as text: every key with its unit and what it means.

`tracer.export.machine.profiles` reads it back to the same value; the reference page of profiles
lists the same words.
"""

from __future__ import annotations

import json
import textwrap
from typing import Any

from tracer.model.machine import Machine

__all__ = ["FIELDS", "TABLES", "machine_toml"]

#: field of the upper table -> unit and meaning
FIELDS: dict[str, tuple[str, str]] = {
    "title": ("", "name for people"),
    "cuts_depth": ("", "true: it can leave a floor; false: it only cuts right through"),
    "heat": ("", "true for lasers and hot blades: the material decides what may be cut"),
    "bed_mm": ("mm", "largest sheet, [width, height]; it may lie crosswise"),
    "max_depth_mm": ("mm", "thickest foam cut through, deepest pocket"),
    "kerf_mm": ("mm", "width removed"),
    "kerf": (
        "",
        'who allows for it: "file", "machine", or "none" where nothing is removed; never both',
    ),
    "inside_radius_mm": ("mm", "smallest inside radius of a finished wall"),
    "relief": ("", "true: corners that the tool needs are cut out with a disc of that radius"),
    "cut_sigma_mm": ("mm", "standard deviation of the finished wall"),
    "feed_mm_min": ("mm/min", "speed along the cut, for the estimate of time"),
    "rapid_mm_min": ("mm/min", "speed between cuts, for the estimate of time"),
    "pass_depth_mm": ("mm", "depth per pass"),
    "plunge_s": ("s", "one plunge and lift"),
    "cautions": ("", "sentences shown with every file"),
}

#: table -> field -> attribute of the profile, unit, meaning
TABLES: dict[str, dict[str, tuple[str, str, str]]] = {
    "fit": {
        "offset_mm": ("fit_offset_mm", "mm", "added to every fit; from the coupon"),
        "proved": ("proved", "", "true: kerf or fit were read from a coupon cut on this machine"),
    },
    "taper": {
        "mm_per_10mm": (
            "taper_mm_per_10mm", "mm",
            "how far a wall runs in per side over 10 mm of depth; from the coupon's two faces",
        ),
    },
    "lead": {
        "length_mm": ("lead_mm", "mm", "leads in the waste, on a layer that is off; 0: none"),
    },
    "tab": {
        "width_mm": ("tab_width_mm", "mm", "bridge that holds a loose piece"),
        "count": ("tabs", "", "bridges to a piece, on a layer that is off; 0: none"),
    },
    "blade": {
        "width_mm": ("blade_width_mm", "mm", "of an oscillating blade; 0: not said"),
        "length_mm": ("blade_length_mm", "mm", "that cuts; 0: not said"),
        "offset_mm": ("blade_offset_mm", "mm", "how far the tip of a drag knife trails its axis"),
        "lift_deg": ("lift_deg", "degrees", "from this corner on the blade is lifted and turned"),
    },
    "hand": {
        "peel_mm": ("peel_mm", "mm", "layers that the foam peels in; 0: it is cut in slices"),
    },
    "pause": {
        "seconds": ("pause_s", "s", "rest between openings, so that heat leaves the foam"),
    },
    "dxf": {
        "version": ("dxf_version", "", '"R2000" or "R12"'),
        "straight": ("straight", "", "true: chords instead of arcs"),
        "straight_tolerance_mm": ("straight_tolerance_mm", "mm", "largest gap of chord and arc"),
    },
}  # fmt: skip


def _toml(value: Any) -> str:
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)  # JSON's forms of both are TOML's too
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value)


def _entry(name: str, value: Any, unit: str, meaning: str) -> list[str]:
    words = f"{meaning} ({unit})" if unit else meaning
    return [*textwrap.wrap(f"# {words}", 98, subsequent_indent="# "), f"{name} = {_toml(value)}"]


def machine_toml(machine: Machine) -> str:
    """The profile as TOML text that `parse_machine` reads back to the same value."""
    lines: list[str] = []
    for name, (unit, meaning) in FIELDS.items():
        lines += _entry(name, getattr(machine, name), unit, meaning)
    for table, fields in TABLES.items():
        lines += ["", f"[{table}]"]
        for name, (attribute, unit, meaning) in fields.items():
            lines += _entry(name, getattr(machine, attribute), unit, meaning)
    if machine.layer_names:
        lines += ["", "# your own layer name per operation; a depth is put behind it", "[layers]"]
        lines += [f'"{k}" = {_toml(v)}' for k, v in machine.layer_names.items()]
    if machine.colours:
        lines += ["", "# your own colour per operation or layer", "[colours]"]
        lines += [f'"{k}" = "#{bytes(v).hex()}"' for k, v in machine.colours.items()]
    return "\n".join(lines) + "\n"
