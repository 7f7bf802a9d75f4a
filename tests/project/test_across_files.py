"""Files of a job that do not go together, or lead out of it: one sentence for a maker each."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.campaigns.words import programmers_words
from tests.panel.bench import outline, spanner
from tests.project.test_loaders import job_bytes, outlines_bytes
from tracer.errors import TracerError
from tracer.project.outlines_file import OutlinesFile, dump_outlines
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.ranges import MOST_BYTES
from tracer.workflows.arranging.arrange import IMPORTED
from tracer.workflows.arranging.shelf import put_on_shelf, take_from_shelf
from tracer.workflows.editing.job_edits import inputs_of
from tracer.workflows.job.job_files import opened_job


def refusal(call: Any, *arguments: Any) -> TracerError:
    with pytest.raises(TracerError) as caught:
        call(*arguments)
    assert programmers_words(str(caught.value)) is None, str(caught.value)
    return caught.value


@pytest.fixture
def folder(tmp_path: Path) -> JobFolder:
    """A job of two lays, an outline on either."""
    found = JobFolder(tmp_path / "bench.job")
    job = json.loads(job_bytes())
    second = json.loads(json.dumps(job["lays"][0]).replace("photos/lay1-", "photos/lay2-"))
    job["lays"] = [job["lays"][0], second]
    found.path.mkdir()
    (found.path / "job.json").write_text(json.dumps(job))
    (found.path / "outlines.json").write_bytes(outlines_bytes())
    return found


def test_an_outline_of_a_lay_that_the_job_lacks_is_refused(folder: JobFolder) -> None:
    assert opened_job(folder)[0] is not None
    (folder.path / "job.json").write_bytes(job_bytes())  # one lay
    for read in (opened_job, inputs_of):
        error = refusal(read, folder)
        assert error.slug == "job-damaged"
        assert "'T02' on lay 2, and job.json knows 1 lay." in error.sentence


@pytest.mark.parametrize(
    "file", ["../bench.jpg", "/etc/hostname", "photos/../../a.jpg", "", "a\0b"]
)
def test_a_photo_outside_the_job_is_refused(file: str) -> None:
    body = json.loads(job_bytes())
    body["lays"][0]["photos"][0]["file"] = file
    error = refusal(load_job, json.dumps(body).encode(), "job.json")
    assert error.slug == "job-damaged"
    assert "lays 1, photos 1, file: " in error.sentence


def test_a_former_outline_outside_the_job_is_refused() -> None:
    body = json.loads(job_bytes())
    body["kept"]["T01"]["before"] = "../x"
    assert "kept T01, before" in refusal(load_job, json.dumps(body).encode(), "job.json").sentence
    body["kept"]["T01"]["before"] = ""  # a tool that was added has none
    load_job(json.dumps(body).encode(), "job.json")
    body["kept"]["T01"]["photos"][0]["file"] = "/x"
    assert "photos, file" in refusal(load_job, json.dumps(body).encode(), "job.json").sentence


@pytest.mark.parametrize(
    "manifest",
    [
        b"",
        b"[]",
        b"{}",
        b"[" * 5000,
        b'{"write": "abc", "remove": []}',
        b'{"write": [], "remove": ["../../x"]}',
        b'{"write": ["/etc/x"], "remove": []}',
        b'{"write": [3], "remove": []}',
        b'{"write": ["a\\u0000b"], "remove": []}',
        b'{"write": [], "remove": [], "as_read": []}',
        b"\xff\xfe",
    ],
)
def test_a_damaged_list_of_a_change_is_refused_and_nothing_moved(
    folder: JobFolder, manifest: bytes
) -> None:
    staged = folder.path / ".commit"
    staged.mkdir()
    (staged / "a").write_bytes(b"new")
    (staged / ".manifest.json").write_bytes(manifest)

    def lock() -> None:
        with folder.locked():
            pass

    error = refusal(lock)
    assert error.slug == "job-damaged"
    assert ".commit/.manifest.json" in error.sentence
    assert (staged / "a").read_bytes() == b"new"
    assert not (folder.path / "a").exists()


@pytest.mark.parametrize("guest", ["G", "Gx1", "first", "7", "G-3", "T" * 50])
def test_an_import_without_a_number_is_refused(
    folder: JobFolder, tmp_path: Path, guest: str
) -> None:
    shelf = tmp_path / "shelf"
    put_on_shelf(folder, ["T01"], shelf)
    name = next(iter(shelf.iterdir())).name.removesuffix(".outline.json")
    assert take_from_shelf(folder, [name], shelf) == ["G01"]
    assert take_from_shelf(folder, [name], shelf) == ["G02"]
    wrong = replace(outline(spanner(), 1), outline_id=guest)
    (folder.path / IMPORTED).write_bytes(dump_outlines(OutlinesFile((wrong,))))
    error = refusal(take_from_shelf, folder, [name], shelf)
    assert error.slug == "job-damaged" and IMPORTED in error.sentence


def test_a_file_on_the_shelf_is_read_within_its_size(folder: JobFolder, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    (path,) = put_on_shelf(folder, ["T01"], shelf)
    name = path.name.removesuffix(".outline.json")
    with path.open("r+b") as stream:
        stream.truncate(MOST_BYTES["file of a job"] + 1)  # sparse: takes no room
    for call in (
        lambda: take_from_shelf(folder, [name], shelf),
        lambda: put_on_shelf(folder, ["T01"], shelf),
    ):
        error = refusal(call)
        assert error.slug == "shelf-unreadable" and "MB" in error.sentence
