"""Which files of a job belong to it as it is, and which were made before the last change.

Drawings and pictures follow the outlines, the panel follows outlines and plan, cutting files follow
the panel. Each cut notes what it was made from (`cut_source`); one that does not say is taken for
old, since nobody can tell.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from tracer.project.cut_record import BESIDE_CUT, CutRecord, cut_record
from tracer.project.outlines_file import load_outlines
from tracer.project.panel_file import load_panel
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, parse_tool_list
from tracer.workflows.arranging.arrange import (
    CHECKED,
    FRONT,
    PANEL_JSON,
    plan_in_force,
    titled,
    tools_of_job,
)
from tracer.workflows.arranging.panel_tools import rows_by_outline, tool_digests
from tracer.workflows.job.retrace import stale_lays

__all__ = ["Freshness", "cut_source", "freshness"]

PANEL_FILES = frozenset({PANEL_JSON, FRONT, CHECKED})


@dataclass(frozen=True)
class Freshness:
    """Names of files that were made before the last change, and the cuts among them."""

    old: frozenset[str]
    old_cuts: tuple[CutRecord, ...] = ()
    panel_old: bool = False
    outlines_old: bool = False


def cut_source(folder: JobFolder) -> str:
    """Digest of what a cut of the job is made from, now.

    With a panel that is the panel; without one the outlines and the depths in the tool list.
    """
    digest = hashlib.sha256()
    if folder.has(PANEL_JSON):
        digest.update(_panel_bytes(folder.read(PANEL_JSON)))
    else:
        digest.update(folder.read("outlines.json"))
        content = load_outlines(folder.read("outlines.json"), "outlines.json")
        rows = rows_by_outline(content, _tools(folder))
        depths = {i: row.depth_mm for i, row in rows.items() if row.depth_mm is not None}
        digest.update(repr(sorted(depths.items())).encode())
    return digest.hexdigest()[:16]


def _panel_bytes(data: bytes) -> bytes:
    """A panel without what counts up: a move that was undone leaves the panel it was.

    Of a file that is none, its own bytes: whoever opens it says what is wrong.
    """
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        return data
    if not isinstance(body, dict):
        return data
    return json.dumps({k: v for k, v in body.items() if k not in {"revision", "checks"}}).encode()


def freshness(folder: JobFolder) -> Freshness:
    """What is out of date in a job.

    Raises
    ------
    TracerError
        As reading the job does.
    """
    record = load_job(folder.read("job.json"), "job.json")
    tools = _tools(folder)
    lays = stale_lays(record, tools)
    undrawn = [n for n, lay in enumerate(record.lays, start=1) if lay.drawings_due]
    old = {"outlines.dxf", "outlines.svg"} if lays or undrawn else set()
    old |= {"outlines.json"} if lays else set()
    old |= {
        f"pictures/lay{n}-photo{k}.jpg"
        for n in {*lays, *undrawn}
        for k in range(1, len(record.lays[n - 1].photos) + 1)
    }
    panel_old = folder.has(PANEL_JSON) and (bool(lays) or _panel_differs(folder))
    if panel_old:
        old |= PANEL_FILES
    source = cut_source(folder)
    cuts = []
    room = folder.path / "cut"
    for path in [] if room.is_symlink() else sorted(room.rglob("*-cut.json")):
        if path.is_symlink():  # nothing is read behind a link
            continue
        name = path.relative_to(folder.path).as_posix()
        cut = cut_record(folder.read(name))
        if cut is not None and (lays or panel_old or cut.made_from != source):
            cuts.append(cut)
            beside = name.rpartition("/")[0]
            old |= {f"{beside}/{file}" for file in cut.files} | {name}
            old |= {n for n in (f"{beside}/{file}" for file in BESIDE_CUT) if folder.has(n)}
    return Freshness(frozenset(old), tuple(cuts), panel_old, bool(lays))


def _tools(folder: JobFolder) -> ToolList:
    if not folder.has("tools.csv"):
        return ToolList()
    return parse_tool_list(folder.read("tools.csv"), "tools.csv")


def _panel_differs(folder: JobFolder) -> bool:
    """Whether arranging again would begin from something else."""
    file = load_panel(folder.read(PANEL_JSON), PANEL_JSON)
    if titled(plan_in_force(folder, file), folder) != file.plan:
        return True
    tools, _ = tools_of_job(folder, file.plan)
    if file.tools:
        return dict(file.tools) != tool_digests(tools)
    revisions = {t.pocket_id: t.outline.revision for t in tools}  # a file of an earlier version
    made = {p.pocket_id: p.outline_revision for p in file.panel.pockets if p.outline_revision}
    return any(revisions.get(i) != made[i] for i in made)
