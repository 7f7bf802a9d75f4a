"""Edits by hand: made, undone and done again in the job folder, each in one atomic step.

An edit is on the disk before it is confirmed. It changes inputs only;
`tracer.workflows.job.retrace` brings the outlines up to date.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import reduce

from shapely.geometry import MultiPoint, Point, Polygon

from tracer.errors import TracerError
from tracer.model.outline import Outline
from tracer.model.tool_list import ToolRow
from tracer.project.edits_file import EDITS_NAME, Change, Edit, Edits, dump_edits, load_edits
from tracer.project.former import former_files, is_personal
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.panel_file import load_panel
from tracer.project.plan_file import plan_toml
from tracer.project.schema import dump_job, load_job
from tracer.project.silhouettes_file import SeenEdge, load_silhouettes
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.arranging.arrange import PANEL_JSON, PANEL_TOML, plan_in_force
from tracer.workflows.editing.job_inputs import Inputs, changed, placed
from tracer.workflows.job.job_files import refuse_unknown_lays
from tracer.workflows.swapping.swap_store import restored_files

__all__ = [
    "inputs_of",
    "job_revision",
    "make_edit",
    "redo",
    "row_of_outline",
    "step_to",
    "swap_logged",
    "undo",
]

INPUT_FILES = ("job.json", "tools.csv", PANEL_TOML, EDITS_NAME)
REMEMBERED = 200  # edits of which a second sending is recognised
SWAP = "swap"  # path of an edit that exchanged a tool
Files = dict[str, bytes]
SAME_PX = 3.0  # two points mean the same place within this; both are written rounded
REACH_PX = 60.0  # a point typed beside a thin tool still means it


def job_revision(folder: JobFolder) -> str:
    """Digest of all inputs: changes with every edit and every run, from wherever it was made."""
    digest = hashlib.sha256()
    for name in INPUT_FILES:
        if folder.has(name):
            digest.update(name.encode() + b"\0" + folder.read(name))
    return digest.hexdigest()[:16]


def inputs_of(folder: JobFolder) -> Inputs:
    """The job's inputs as they stand.

    Raises
    ------
    TracerError
        As reading the job does.
    """
    record = load_job(folder.read("job.json"), "job.json")
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    refuse_unknown_lays(record, content)
    tools = ToolList()
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv")
    seen: dict[str, tuple[SeenEdge, ...]] = {}
    if folder.has("silhouettes.json"):
        seen = load_silhouettes(folder.read("silhouettes.json"), "silhouettes.json")
    row_of: dict[str, int | None] = {}
    for number, lay in enumerate(record.lays, start=1):
        mine = [o for o in content.outlines if content.lay_of[o.outline_id] == number]
        row_of |= row_of_outline(tools.rows, mine, number, seen.get(lay.photos[0].photo_id, ()))
    plan = None
    if folder.has(PANEL_JSON) or folder.has(PANEL_TOML):
        before = load_panel(folder.read(PANEL_JSON), PANEL_JSON) if folder.has(PANEL_JSON) else None
        plan = plan_in_force(folder, before)
    outlines = {o.outline_id: o for o in content.outlines}
    sizes = _sizes_px(content)
    return Inputs(record, tools, outlines, content.lay_of, row_of, plan, sizes)


def _sizes_px(content: OutlinesFile) -> dict[str, tuple[int, int]]:
    """Width and height of the photos that a run has seen, by photo id."""
    return {p.photo_id: p.size_px for lay in content.calibration for p in lay.photos}


def row_of_outline(
    rows: Sequence[ToolRow], outlines: Sequence[Outline], lay: int, seen: Sequence[SeenEdge]
) -> dict[str, int | None]:
    """Index of the row of each outline of a lay, by the seen edges of its first photo.

    A row belongs to the tool whose point it has, as a run wrote it; else to the tool around its
    point, as in a run; several rows on one tool: the first.
    """
    shapes: dict[str, Polygon] = {
        e.outline_id: Polygon(e.exterior_px) for e in seen if e.outline_id is not None
    }
    found: dict[str, int | None] = {o.outline_id: None for o in outlines}
    for o in outlines:
        if o.outline_id not in shapes:
            shapes[o.outline_id] = MultiPoint([o.point_px]).buffer(REACH_PX)
    left = []
    for index, row in enumerate(rows):
        if row.lay != lay:
            continue
        own = next((o.outline_id for o in outlines if _same_point(o, row)), None)
        if own is not None and found[own] is None:
            found[own] = index
        else:
            left.append((index, Point(row.x_px, row.y_px)))
    for index, at in left:
        near = [(shapes[k].distance(at), shapes[k].area, k) for k in found]
        if near:
            distance, _, key = min(near)
            if distance <= REACH_PX and found[key] is None:
                found[key] = index
    return found


def _same_point(outline: Outline, row: ToolRow) -> bool:
    x, y = outline.point_px
    return max(abs(row.x_px - x), abs(row.y_px - y)) <= SAME_PX


def make_edit(folder: JobFolder, edit: Edit, expected: str | None = None) -> str:
    """Make an edit; gives the job's new revision.

    Parameters
    ----------
    expected
        The revision the person saw; None makes the edit whatever it is.

    Raises
    ------
    TracerError
        ``edit-stale`` when the job has changed since, ``edit-refused``, ``edit-conflict``,
        ``job-locked``.
    """
    with folder.locked():
        known = load_edits(folder.read(EDITS_NAME)) if folder.has(EDITS_NAME) else Edits()
        if edit.key and any(edit.key == e.key for e in known.edits[-REMEMBERED:]):
            return job_revision(folder)  # sent again after a lost answer: it is made already
        edits = _opened(folder, expected)
        if not edit.changes:
            raise TracerError("edit-refused", "The edit changes nothing.")
        before = inputs = inputs_of(folder)
        changes = []
        for change in edit.changes:
            changes.append(placed(inputs, change))
            inputs = changed(inputs, changes[-1])
        files = _files_of(before, inputs)
        digests = {
            name: (_digest_in(folder, name), _digest(data))
            for name, data in files.items()
            if is_personal(name)
        }
        made = replace(edit, changes=tuple(changes), files=digests)
        return _committed(folder, files, [], edits.with_new(made))


def undo(folder: JobFolder, expected: str | None = None) -> str:
    """Take back the last edit in force; errors as `make_edit`, ``nothing-to-undo``."""
    return step_to(folder, None, expected, by=-1)


def redo(folder: JobFolder, expected: str | None = None) -> str:
    """Make the next undone edit again; errors as `make_edit`, ``nothing-to-redo``."""
    return step_to(folder, None, expected, by=1)


def step_to(
    folder: JobFolder, done: int | None, expected: str | None = None, *, by: int = 0
) -> str:
    """Undo or redo until so many edits are in force, or ``by`` one from where the job stands.

    Where a step cannot be made, those before it stay made.

    Raises
    ------
    TracerError
        As `make_edit`; ``nothing-to-undo``, ``nothing-to-redo`` where there are not so many.
    """
    with folder.locked():
        edits = _opened(folder, expected)
        target = edits.done + by if done is None else done
        if target < 0:
            raise TracerError("nothing-to-undo", "There is no edit left to undo.")
        if target > len(edits.edits):
            raise TracerError("nothing-to-redo", "There is no undone edit to make again.")
        revision = job_revision(folder)
        while edits.done != target:
            edits, revision = _stepped(folder, edits, back=edits.done > target)
        return revision


def _stepped(folder: JobFolder, edits: Edits, *, back: bool) -> tuple[Edits, str]:
    """One edit undone or done again."""
    edit = edits.last if back else edits.next
    assert edit is not None
    if edit.changes[0].path[0] == SWAP:
        return _swap_stepped(folder, edits, edit, back=back)
    changes = [c.undone for c in reversed(edit.changes)] if back else edit.changes
    before = inputs_of(folder)
    files = _files_of(before, reduce(changed, changes, before))
    gone = []
    for name, digests in edit.files.items():
        was, now = reversed(digests) if back else digests
        if _digest_in(folder, name) != was:
            continue  # somebody else wrote it since: the inputs alone are taken back
        if now == "":
            files.pop(name, None)
            gone.append(name)
        elif (kept := _former(folder, name, now)) is not None:
            files[name] = kept
    moved = replace(edits, done=edits.done + (-1 if back else 1))
    return moved, _committed(folder, files, gone, moved)


def swap_logged(
    folder: JobFolder, outline_id: str, name: str, kind: str = SWAP
) -> Callable[[int, int], Files]:
    """What writes a swap among the edits, in the same step: `SwapRun.beside`.

    ``kind`` is what the list of changes calls it. Its change names the job's revision before and
    after instead of values.
    """

    def files(before: int, after: int) -> Files:
        known = load_edits(folder.read(EDITS_NAME)) if folder.has(EDITS_NAME) else Edits()
        made = Edit(kind, name, (Change((SWAP, outline_id), before, after),))
        return {EDITS_NAME: dump_edits(known.with_new(made))}

    return files


def _swap_stepped(folder: JobFolder, edits: Edits, edit: Edit, *, back: bool) -> tuple[Edits, str]:
    """A swap undone or made again: its other revision comes back, under a number of its own."""
    (change,) = edit.changes
    present, wanted = (change.now, change.was) if back else (change.was, change.now)
    revision = load_job(folder.read("job.json"), "job.json").revision
    if revision != present:
        raise TracerError(
            "edit-conflict",
            f"The job was swapped or traced elsewhere since {edit.subject} was replaced here.",
            "An earlier state comes back by its number.",
        )
    files = restored_files(folder, wanted, "undone" if back else "made again", None)
    listed = tuple(_renamed(one, wanted, revision + 1) for one in edits.edits)
    moved = Edits(listed, edits.done + (-1 if back else 1))
    return moved, _committed(folder, files, [], moved)


def _renamed(edit: Edit, revision: int, now: int) -> Edit:
    """A state has come back under another number: swaps before and after it go by that."""
    if edit.changes[0].path[0] != SWAP:
        return edit
    (change,) = edit.changes
    was, after = (now if r == revision else r for r in (change.was, change.now))
    return replace(edit, changes=(replace(change, was=was, now=after),))


def _opened(folder: JobFolder, expected: str | None) -> Edits:
    if expected is not None and expected != job_revision(folder):
        raise TracerError(
            "edit-stale",
            f"The job {folder.name} has changed since this page showed it.",
            "The page shows the present state now; make the change again if it is still wanted.",
        )
    return load_edits(folder.read(EDITS_NAME)) if folder.has(EDITS_NAME) else Edits()


def _files_of(before: Inputs, inputs: Inputs) -> dict[str, bytes]:
    """The files that hold the inputs, as far as they changed."""
    files: dict[str, bytes] = {}
    if inputs.record != before.record:
        files["job.json"] = dump_job(inputs.record)
    if inputs.tools.rows != before.tools.rows:
        files["tools.csv"] = format_tool_list(inputs.tools)
    if inputs.plan is not None and inputs.plan != before.plan:
        files[PANEL_TOML] = plan_toml(inputs.plan)
    return files


def _committed(
    folder: JobFolder, files: Mapping[str, bytes], gone: Sequence[str], edits: Edits
) -> str:
    written = {**files, EDITS_NAME: dump_edits(edits)}
    folder.commit(written, remove=gone, if_as_read=True)
    return job_revision(folder)


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _digest_in(folder: JobFolder, name: str) -> str:
    """Digest of a file of the job; empty where it is not there."""
    return _digest(folder.read(name)) if folder.has(name) else ""


def _former(folder: JobFolder, name: str, digest: str) -> bytes | None:
    """A former state of a person's file, by its digest; the history may have been tidied away."""
    for former in reversed(former_files(folder.path)):
        if former.name == name and _digest(data := folder.read(former.kept_as)) == digest:
            return data
    return None
