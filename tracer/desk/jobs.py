"""The jobs the desk knows, by ids of its own: no request ever names a path.

A `DeskJob` is a job folder together with what makes looking at it quick: remembered stage results
and cut tiles.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from tracer.desk.checks import check_record
from tracer.desk.drafts import Draft, no_room
from tracer.desk.events import EventHub
from tracer.desk.inspecting import Inspected
from tracer.desk.links import Links
from tracer.desk.runs import Runner, RunState, Task
from tracer.desk.swapping import SwapState
from tracer.errors import TracerError
from tracer.model.lay_settings import LaySettings
from tracer.photos import decode_photo
from tracer.pictures.tiles import TilePyramid
from tracer.project.edits_file import Edit
from tracer.project.schema import load_job
from tracer.project.store import JobFolder, job_path, refuse_link
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.arranging.arrange import PANEL_JSON, arrange_job
from tracer.workflows.arranging.proposals import Proposals
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_job import cut_job
from tracer.workflows.cutting.freshness import freshness
from tracer.workflows.editing.job_edits import job_revision, make_edit, redo, step_to, undo
from tracer.workflows.job.retrace import retrace
from tracer.workflows.job.trace_job import Mode, read_photos, trace_job
from tracer.workflows.tracing.cache import StageCache

__all__ = ["Desk", "DeskJob", "job_id"]

T = TypeVar("T")
MAX_DRAFTS = 32
LOCK_TRIES, LOCK_WAIT_S = 20, 0.1  # an edit takes far less than these two seconds
WATCHED = ("job.json", "tools.csv", "outlines.json", "panel.toml", "panel.json", "cut", "pictures")
PYRAMIDS = 2  # decoded photos kept: 48 megapixels take 0.2 GB each


def job_id(path: Path) -> str:
    """Id of a job in addresses: always the same for the same folder."""
    place = path.parent.resolve() / path.name
    return hashlib.sha256(str(place).encode()).hexdigest()[:12]


class DeskJob:
    """One job on the desk."""

    def __init__(self, job_id: str, folder: JobFolder, hub: EventHub, runner: Runner) -> None:
        self.job_id = job_id
        self.folder = folder
        self.cache = StageCache()
        self.state = RunState(tell=self._tell_run)
        self.cut_checks: list[dict[str, Any]] | None = None  # of the latest cut; None before one
        self.layouts: Proposals | None = None  # those to choose from
        self.swap: SwapState | None = None  # the one that was tried last
        self.inspected: Inspected | None = None  # what the panel's latest photos showed
        self.opened = False  # a page has seen the job
        #: the photos and what was typed for the first run, until that has made a job
        self.first: dict[str, Any] | None = None
        self._known: tuple[Any, ...] = ()  # what `look` saw last
        self.lock = Lock()  # one edit at a time; a run holds it while it writes
        self._hub = hub
        self._runner = runner
        self._pyramids: OrderedDict[str, TilePyramid] = OrderedDict()
        self._pyramid_lock = Lock()

    # -- edits --------------------------------------------------------------------------------
    def edit(self, edit: Edit, expected: str | None) -> str:
        """Make an edit and bring the outlines up to date."""
        return self._edited(lambda: make_edit(self.folder, edit, expected))

    def undo(self, expected: str | None) -> str:
        """Take back the last edit."""
        return self._edited(lambda: undo(self.folder, expected))

    def redo(self, expected: str | None) -> str:
        """Make the next undone edit again."""
        return self._edited(lambda: redo(self.folder, expected))

    def step_to(self, done: int, expected: str | None) -> str:
        """Undo or redo until so many edits are in force."""
        return self._edited(lambda: step_to(self.folder, done, expected))

    def _edited(self, act: Callable[[], str]) -> str:
        with self._here():
            revision = act()
        self.changed(revision)
        self.bring_up_to_date()
        return revision

    @contextmanager
    def _here(self) -> Iterator[None]:
        """Hold the job for an edit, as long as it is there.

        Raises
        ------
        TracerError
            ``job-gone``: a folder that was taken away is not made anew.
        """
        with self.lock:
            self.refuse_gone()
            yield

    def refuse_gone(self) -> None:
        """Stop where the folder of a job that was there is no longer; errors as `_here`."""
        if self.opened and not self.folder.exists():
            raise TracerError(
                "job-gone",
                f"The folder of the job {self.folder.name} is no longer there: it was deleted,"
                " renamed or moved.",
                "Put it back, or go to all jobs.",
            )

    # -- runs ---------------------------------------------------------------------------------
    def bring_up_to_date(self, *, soon: bool = False) -> None:
        """Run whatever has changed, in the thread for runs."""
        self._runner.ask(self.job_id, self.retrace, self.state, soon=soon)

    def trace_new(
        self,
        draft: Draft,
        settings: LaySettings,
        mode: Mode,
        over: Callable[[], object],
        typed: Mapping[str, Any] | None = None,
        listed: bytes | None = None,
    ) -> None:
        """Trace photos that came in into the job; ``over`` is called once they are in it.

        ``typed`` is what the page sent, for a page that is loaded anew meanwhile; ``listed`` a tool
        list to begin with.
        """
        self.first = {"draft": draft.draft_id, **(typed or {})}
        numbers = sorted(draft.photos)
        draft.traced_now = lambda: self.state.phase in {"waiting", "running"}

        def task(state: RunState) -> None:
            state.step("reading photos")
            files = read_photos([draft.file(n) for n in numbers])
            names = [draft.photos[n].name for n in numbers]
            named = [type(f)(name, f.data) for name, f in zip(names, files, strict=True)]
            trace_job(
                self.folder,
                named,
                settings=settings,
                tools=None if listed is None else parse_tool_list(listed, "tools.csv"),
                mode=mode,
                progress=state,
                cache=self.cache,
            )
            over()
            self.first = None
            self.changed(job_revision(self.folder), files=True)

        self.compute(task)

    def stop(self) -> None:
        """Stop the run."""
        self._runner.stop(self.job_id)

    def arrange(self) -> None:
        """Make the panel, or make it again, in the thread for runs."""
        self.compute(self._arrange)

    def compute(self, task: Task) -> None:
        """Do this in the thread for runs, in place of what the job waits for there."""
        self._runner.ask(self.job_id, task, self.state, soon=True)

    def cut(self, asked: Callable[[], Sequence[CutOptions]]) -> None:
        """Make cutting files in place of those that are there, in the thread for runs.

        ``asked`` is called when outlines and panel are up to date.
        """

        def task(state: RunState) -> None:
            self.retrace(state)
            checks: list[dict[str, Any]] = []
            for options in asked():
                with self.lock:
                    done = cut_job(self.folder, options, replacing=True, progress=state)
                checks += [check_record(c) for c in done.checks]
            self.cut_checks = checks
            self.changed(job_revision(self.folder), files=True)

        self.compute(task)

    def retrace(self, state: RunState) -> None:
        """Outlines and panel up to date with the inputs; called in the thread for runs."""
        self.refuse_gone()

        def told() -> None:
            self.changed(job_revision(self.folder))

        def run() -> bool:
            return retrace(self.folder, progress=state, cache=self.cache, told=told)

        while not self.unhindered(run):
            state.step("an edit came in between: once more")
        if self.folder.has(PANEL_JSON) and freshness(self.folder).panel_old:
            self._arrange(state)
        self.changed(job_revision(self.folder), files=True)

    def _arrange(self, state: RunState) -> None:
        with self._here():
            arrange_job(self.folder, keep_places=True, progress=state)
        self.changed(job_revision(self.folder), files=True)

    def unhindered(self, act: Callable[[], T]) -> T:
        """Do it, waiting a moment where an edit of this desk holds the job just now."""
        for _ in range(LOCK_TRIES):
            try:
                return act()
            except TracerError as error:
                if error.slug != "job-locked":
                    raise
            time.sleep(LOCK_WAIT_S)
        return act()

    # -- looking ------------------------------------------------------------------------------
    def pyramid(self, photo_id: str) -> TilePyramid:
        """Tiles of a photo of the job.

        Raises
        ------
        KeyError
            Where the job has no such photo.
        """
        with self._pyramid_lock:
            if photo_id not in self._pyramids:
                record = load_job(self.folder.read("job.json"), "job.json")
                photos = {p.photo_id: p for lay in record.lays for p in lay.photos}
                photo = photos[photo_id]
                self._pyramids[photo_id] = TilePyramid(
                    decode_photo(self.folder.read(photo.file), photo.name)
                )
            self._pyramids.move_to_end(photo_id)
            while len(self._pyramids) > PYRAMIDS:
                self._pyramids.popitem(last=False)
            return self._pyramids[photo_id]

    def look(self) -> None:
        """Tell the pages where another program changed the job, or took it away."""
        now = self._signature()
        if now == self._known:
            return
        before, self._known = self._known, now
        if not before:
            return
        if not now[0]:
            self._hub.publish("gone", job=self.job_id)
        elif self.state.phase not in {"running", "waiting"}:
            with suppress(TracerError):  # half written: the next look sees it whole
                self._hub.publish(
                    "job", job=self.job_id, revision=job_revision(self.folder), files=True
                )

    def _signature(self) -> tuple[Any, ...]:
        """Whether the job is there, and size and time of what a page shows of it."""
        facts: list[Any] = [(self.folder.path / "job.json").is_file()]
        for name in WATCHED:
            try:
                found = (self.folder.path / name).stat()
            except OSError:
                facts.append(None)
            else:
                facts.append((found.st_size, found.st_mtime_ns))
        return tuple(facts)

    # -- news ---------------------------------------------------------------------------------
    def changed(self, revision: str, *, files: bool = False) -> None:
        """Tell every page that there is something new to show: inputs, or also results."""
        self._known = self._signature()  # it is told here, and need not be told again
        self._hub.publish("job", job=self.job_id, revision=revision, files=files)

    def tell(self, kind: str) -> None:
        """Tell every page that something of this kind is there to be fetched."""
        self._hub.publish(kind, job=self.job_id)

    def _tell_run(self) -> None:
        self._hub.publish("run", job=self.job_id, run=self.state.record())


class Desk:
    """All jobs of one folder, and the drafts."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.hub = EventHub()
        self.runner = Runner()
        self.links = Links(changed=lambda: self.hub.publish("links"))
        self.drafts: dict[str, Draft] = {}
        self._jobs: dict[str, DeskJob] = {}
        try:
            self._temporary = tempfile.TemporaryDirectory(prefix="tracer-desk-")
        except OSError as error:
            raise TracerError(
                "desk-no-temporary-folder",
                f"No folder for temporary files can be made: {error.strerror or error}.",
                "Free some space, or name a folder that may be written in TMPDIR.",
            ) from error

    def close(self) -> None:
        """Stop computing and throw drafts away."""
        self.runner.close()
        self._temporary.cleanup()

    def add(self, folder: JobFolder) -> DeskJob:
        """The job in this folder, which need not exist yet.

        Raises
        ------
        UsageError
            ``job-linked``: nothing is written through a link.
        """
        refuse_link(folder.path)
        path = folder.path.parent.resolve() / folder.path.name
        key = job_id(path)
        if key not in self._jobs:
            self._jobs[key] = DeskJob(key, JobFolder(path), self.hub, self.runner)
        return self._jobs[key]

    def named(self, name: str) -> DeskJob:
        """The job of this name in the desk's folder.

        Raises
        ------
        UsageError
            ``job-name-unusable``, also for names with a folder in them.
        """
        path = job_path(name)
        if path.parent != Path() or "\\" in name:
            path = job_path("?")  # refused with the sentence for unusable names
        return self.add(JobFolder(self.root / path.name))

    def job(self, key: str) -> DeskJob:
        """A job by id, also one that an earlier desk over this folder gave out.

        Raises
        ------
        KeyError
            For an id that no job here has.
        """
        if key not in self._jobs:
            self.jobs()
        return self._jobs[key]

    def known(self) -> list[DeskJob]:
        """The jobs that were asked for."""
        return list(self._jobs.values())

    def jobs(self) -> list[DeskJob]:
        """Jobs that exist: those opened, and all in the desk's folder."""
        for path in sorted(self.root.glob("*.job")):
            if not path.is_symlink() and JobFolder(path).exists():
                self.add(JobFolder(path))
        return sorted(
            (job for job in self._jobs.values() if job.folder.exists()),
            key=lambda job: job.folder.name.lower(),
        )

    def new_draft(self) -> Draft:
        """An empty draft. The oldest empty one gives way where there are too many.

        Raises
        ------
        TracerError
            ``desk-too-many-photos`` where all hold photos.
        """
        if len(self.drafts) >= MAX_DRAFTS:
            open_to_phones = {link["draft"] for link in self.links.records()}
            spare = [
                d for d in self.drafts.values() if not d.photos and d.draft_id not in open_to_phones
            ]
            if not spare:
                raise no_room()
            self.forget(spare[0])
        draft = Draft(Path(tempfile.mkdtemp(dir=self._temporary.name)))
        self.drafts[draft.draft_id] = draft
        return draft

    def forget(self, draft: Draft) -> None:
        """Throw a draft away, and end the links to it."""
        self.drafts.pop(draft.draft_id, None)
        self.links.end_draft(draft.draft_id)
        shutil.rmtree(draft.folder, ignore_errors=True)
