"""The workshop that every case is tried in: a small traced job, and everything a person may own.

Made once per state of the program and kept in a cache; a case gets a copy of its own. Results of
the two heavy stages are kept too, so that a run over the same photos costs tenths of a second.

::

    photo.jpg, second.jpg     a lay of 2 megapixels, and another
    bench.job/                traced from photo.jpg, arranged, cut, with an import and corrections
    flat.job/                 the same, traced alone
    list.csv, plan.toml, own.toml, part.dxf, part.svg
    shelf/, settings/         the shop's shelf and printer
    notes.txt                 something of the person's that is no business of the program
"""

from __future__ import annotations

import hashlib
import os
import pickle
import shutil
import tempfile
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaigns.judge import command

__all__ = ["Workshop", "built", "warm"]

REPO = Path(__file__).parent.parent.parent
LIST = """name,x_px,y_px,height_mm,edge,mass_kg,depth_mm,quantity,drawer
cone spanner,{0:.1f},{1:.1f},6,,0.09,,,left
brake block,{2:.1f},{3:.1f},30,,0.2,,,right
"""
PLAN = """# what we agreed on for the bench by the door
title = "bench"
fit = "snug"
fit_probability = 0.9
hand = "gloved"

[bay]
kind = "drawer"
width_mm = 640.0
height_mm = 420.0
clear_depth_mm = 60.0

[placement]
arrangement = "tidied"
anchor = "centre"
edge_mm = 25.0
turn_deg = 0.0
max_shift_mm = 15.0

[[tools]]
pocket_id = "T01"
depth_mm = 5.0
mass_kg = 0.1
notches = [{ x_mm = 10.0, y_mm = 0.0, both = true }]
wells = [{ name = "pin", x_mm = 0.0, y_mm = 0.0, width_mm = 10.0, reach_mm = 2.0 }]

[[moves]]
pocket_id = "T02"
x_mm = 420.0
y_mm = 200.0
turn_deg = 5.0

[[copies]]
of = "T01"
x_mm = 120.0
y_mm = 330.0
name = "second spanner"

[[plain]]
name = "chalk"
width_mm = 40.0
height_mm = 20.0
thing_mm = 15.0
x_mm = 550.0
y_mm = 80.0

[[keep_outs]]
name = "lock"
x_mm = 600.0
y_mm = 390.0
width_mm = 30.0
height_mm = 20.0

[fixings]
pitch_mm = 200.0

[rules]
gap_mm = 15.0
"""
SVG = """<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
 width="200mm" height="120mm" viewBox="0 0 200 120">
<defs><path id="p" d="M 0 0 h 20 v 10 h -20 z"/></defs>
<style>.cut { fill: none; stroke: #000000 }</style>
<g transform="translate(10,10) rotate(10) scale(1.5,1.5)">
<path class="cut" d="M 10,10 C 20,0 40,0 50,10 S 80,20 90,10 L 90,40 Q 50,60 10,40 Z"/>
<path d="M 100 20 a 15 10 30 1 0 30 0 a 15 10 30 1 0 -30 0 z" style="stroke:#ff0000"/></g>
<rect x="5" y="70" width="60" height="30" rx="4"/><circle cx="100" cy="90" r="15"/>
<ellipse cx="150" cy="90" rx="20" ry="10"/><polygon points="5,5 25,5 15,25"/>
<polyline points="40,5 60,5 60,9"/><line x1="1" y1="1" x2="9" y2="1"/>
<use xlink:href="#p" x="120" y="100"/><text x="3" y="118">label</text></svg>
"""
WEDGE = """<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="20mm" viewBox="0 0 60 20">
<rect width="60" height="20"/></svg>
"""


@dataclass(frozen=True)
class Workshop:
    """A folder laid out as the module says."""

    root: Path

    @property
    def job(self) -> Path:
        """The traced job."""
        return self.root / "bench.job"

    def laid_out(self, place: Path) -> Workshop:
        """A copy to spoil."""
        shutil.copytree(self.root, place, symlinks=True)
        os.environ["TRACER_SETTINGS"] = str(place / "settings")
        return Workshop(place)


def built(cache: Path | None = None, megapixels: int = 2) -> Workshop:
    """The workshop for the program as it stands, from the cache where it is there."""
    home = cache or Path(tempfile.gettempdir()) / "tracer-campaign"
    place = home / f"{_program_digest()}-{megapixels}mp"
    memo = place / "memo.pickle"
    warm.values.clear()
    if not memo.is_file():
        partial = place.with_name(f"{place.name}.{os.getpid()}")
        shutil.rmtree(partial, ignore_errors=True)
        (partial / "shop").mkdir(parents=True)
        _make(Workshop(partial / "shop"), megapixels)
        (partial / "memo.pickle").write_bytes(pickle.dumps(warm.values))
        shutil.rmtree(place, ignore_errors=True)
        partial.rename(place)
    warm.values.update(pickle.loads(memo.read_bytes()))
    return Workshop(place / "shop")


def _program_digest() -> str:
    state = hashlib.sha256()
    for path in sorted((*(REPO / "tracer").rglob("*.py"), Path(__file__))):
        state.update(path.read_bytes())
    return state.hexdigest()[:16]


class Warm:
    """Results of the heavy stages across runs and forks, in place of each run's own memory.

    Segmentations are found by photo and way alone: points that a case damages would otherwise
    cost seconds each. ``strict`` runs the stages.
    """

    def __init__(self) -> None:
        self.values: dict[Hashable, Any] = {}
        self.strict = False

    def get(self, _: object, key: Any, make: Callable[[], Any]) -> Any:
        """As `StageCache.get`."""
        if self.strict:
            return make()
        short = key if key[0] != "segment" else (key[0], *key[2:-1])  # points come last
        if short not in self.values:
            self.values[short] = make()
        return self.values[short]


warm = Warm()


def installed() -> None:
    """Let every run in this process and its children remember the heavy stages."""
    from tracer.workflows.tracing.cache import StageCache

    StageCache.get = lambda self, key, make: warm.get(self, key, make)  # type: ignore[method-assign]


def _make(shop: Workshop, megapixels: int) -> None:
    from shapely.affinity import translate

    from tests.cli.photos import BLOCK, TOOLS, jpeg, lay
    from tests.scene_maker import make_scene
    from tests.scene_parts import Tool

    installed()
    home = Path.cwd()
    os.chdir(shop.root)
    os.environ["TRACER_SETTINGS"] = str(shop.root / "settings")
    try:
        size = (1600, 1200) if megapixels == 2 else (4000, 3000)
        first = make_scene(TOOLS, size_px=size)
        Path("photo.jpg").write_bytes(jpeg(first))
        moved = Tool(translate(BLOCK, -90, 10), 25.0, "yellow")
        Path("second.jpg").write_bytes(jpeg(lay((moved,), 1)))
        points = first.view.to_photo([[190.0, 156.0], [360.0, 165.0]])
        text = LIST.format(*points.ravel())
        Path("list.csv").write_text(text, "utf-8")
        Path("plan.toml").write_text(PLAN, "utf-8")
        Path("part.svg").write_text(SVG, "utf-8")
        Path("notes.txt").write_text("ring the foam shop on Friday\n", "utf-8")
        machines = REPO / "tracer" / "assets" / "machines"
        Path("own.toml").write_bytes((machines / "router.toml").read_bytes())
        _done(
            "trace", "photo.jpg", "--tools", "list.csv", "--card-size", "168x112", "--job", "bench"
        )
        _done("trace", "second.jpg", "--job", "spare")
        shutil.rmtree("spare.job")
        shutil.copytree("bench.job", "flat.job")
        Path("wedge.svg").write_text(WEDGE, "utf-8")
        _done("shelf", "draw", "bench", "wedge.svg", "--height", "12", "--name", "wedge")
        _done("shelf", "put", "bench", "T01", "T02", "--folder", "shelf")
        _done("swap", "bench", "T02", "--remove", "--reason", "worn out")
        _done("swap", "bench", "--back-to", "1")
        _done("arrange", "bench", "--plan", "plan.toml")
        _done("cut", "bench", "--printed", "99.8x100.1")
        Path("part.dxf").write_bytes(Path("bench.job/outlines.dxf").read_bytes())
        _edited(shop.job)
        _done("trace", "--job", "bench")
        # nothing reads these again: a case's copy need not carry them
        for path in (*Path().glob("*.job/pictures/*"), *Path().glob("*.job/cut/**/*.p*")):
            path.write_bytes(b"")
        # as a person leaves them: their own order, words and line ends
        (shop.job / "tools.csv").write_text(text, "utf-8")
        (shop.job / "panel.toml").write_text(PLAN, "utf-8")
        (shop.job / "remarks.txt").write_text("the spanner is lent out\n", "utf-8")
    finally:
        os.chdir(home)


def _done(*arguments: str) -> None:
    said = command(arguments)
    if said.code not in (0, 3):
        raise RuntimeError(f"the workshop cannot be built:\n{said.shown()}")


def _edited(job: Path) -> None:
    """Two corrections by hand, one of them undone."""
    from tracer.project.edits_file import Change, Edit
    from tracer.project.store import JobFolder
    from tracer.workflows.editing.job_edits import make_edit, undo

    folder = JobFolder(job)
    make_edit(folder, Edit("name", "T02", (Change(("row", "T02", "mass_kg"), 0.2, 0.25),)))
    make_edit(folder, Edit("name", "T01", (Change(("row", "T01", "name"), "cone spanner", "x"),)))
    undo(folder)


def without_pictures() -> None:
    """Leave out what only draws pictures and papers; in a fork that tries one case of many."""
    from tracer.workflows.arranging import arrange
    from tracer.workflows.cutting import sheet_files
    from tracer.workflows.job import job_files

    def nothing(*_: object, **__: object) -> bytes:
        return b""

    for module in (arrange, job_files, sheet_files):
        for name in ("panel_png", "overlay_bytes", "preview_png"):
            if hasattr(module, name):
                setattr(module, name, nothing)
