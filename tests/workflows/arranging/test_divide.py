"""``tracer divide`` on a job folder: jobs of their own that every other command takes."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from tests.panel.bench import bar, outline, spanner
from tests.workflows.arranging.test_arrange import write_job
from tracer.cli.app import run
from tracer.project.panel_file import load_panel
from tracer.project.store import JobFolder

OUTLINES = (
    outline(spanner(180, 40), 1, name="spanner 15"),
    outline(spanner(150, 34), 2, name="spanner 13"),
    outline(bar(24, 160), 3, name="tyre lever"),
    outline(bar(30, 110), 4, name="chain tool", height_mm=45.0),
    outline(bar(26, 60), 5, name="spoke key"),
)
BAYS = ["--bay", "top=260x230", "--bay", "low=260x230", "--effort", "quick"]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return write_job(tmp_path / "bench.job", OUTLINES)


def pockets(job: JobFolder) -> list[str]:
    panel = load_panel(job.read("panel.json"), "panel.json").panel
    return [p.pocket_id for p in panel.pockets]


def all_bytes(job: JobFolder) -> dict[str, bytes]:
    files = [p for p in job.path.rglob("*") if p.is_file()]
    return {str(p.relative_to(job.path)): p.read_bytes() for p in files}


def test_every_tool_is_in_one_bay_and_each_bay_is_a_job_of_its_own(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    before = all_bytes(job)
    assert run(["divide", "bench", *BAYS, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    top, low = (JobFolder(job.path.with_name(f"bench-{n}.job")) for n in ("top", "low"))
    assert sorted(pockets(top) + pockets(low)) == ["T01", "T02", "T03", "T04", "T05"]
    assert [b["tools"] for b in record["bays"]] == [pockets(top), pockets(low)]
    assert {t["id"]: bool(t["why"]) for t in record["tools"]} == dict.fromkeys(
        ("T01", "T02", "T03", "T04", "T05"), True
    )
    assert "bay-load" in {c["slug"] for c in record["checks"]}  # the usual caution
    # spanners are told as alike by their names, and stay together
    where = {t["id"]: t["bay"] for t in record["tools"]}
    assert where["T01"] == where["T02"]
    # the job that was divided is as it was, but for the table
    assert {n: d for n, d in all_bytes(job).items() if n != "bays.csv"} == before
    rows = list(csv.DictReader(io.StringIO(job.read("bays.csv").decode())))
    assert {r["tool"]: r["bay"] for r in rows} == where
    # whatever is done with a job is done with these
    for one in (top, low):
        first = one.read("panel.json")
        assert run(["arrange", one.name, "-q"]) == 0
        assert one.read("panel.json") == first
        assert run(["cut", one.name, "-q"]) == 0
        assert list((one.path / "cut").rglob("*.dxf"))


def test_the_same_again_gives_the_same_bytes(job: JobFolder) -> None:
    assert run(["divide", "bench", *BAYS, "-q"]) == 0
    made = [job.path.with_name(f"bench-{n}.job") for n in ("top", "low")]
    first = [all_bytes(JobFolder(m)) for m in made]
    assert run(["divide", "bench", *BAYS, "-q"]) == 1  # nothing is written over unasked
    assert run(["divide", "bench", *BAYS, "-q", "--replace"]) == 0
    assert [all_bytes(JobFolder(m)) for m in made] == first


def test_a_tool_too_high_for_a_drawer_goes_into_the_deep_one(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """30 mm of face over 10 mm: a tool of 45 mm on the base, and 4 mm of air, need 59 mm."""
    shallow = ["--bay", "top=300x260x58", "--bay", "low=300x260x59", "--effort", "quick"]
    assert run(["divide", "bench", *shallow, "--put", "T01=top", "--json"]) in (0, 3)
    found = {t["id"]: t for t in json.loads(capsys.readouterr().out)["tools"]}
    assert found["T04"]["bay"] == "low" and "deep enough" in found["T04"]["why"]
    assert found["T01"]["bay"] == "top" and "by hand" in found["T01"]["why"]


def test_bays_that_do_not_hold_all_say_what_stays_out_and_what_helps(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    small = ["--bay", "top=120x230", "--bay", "low=110x120", "--effort", "quick"]
    assert run(["divide", "bench", *small, "--json"]) == 1
    error = json.loads(capsys.readouterr().out)["error"]
    assert error["slug"] == "bays-no-room" and "further bay of" in error["remedy"]
    assert not list(job.path.parent.glob("bench-*.job"))
    assert run(["divide", "bench", *small, "--partly", "--json"]) in (0, 3)
    record = json.loads(capsys.readouterr().out)
    out = [t["id"] for t in record["tools"] if t["bay"] is None]
    assert out and {c["slug"] for c in record["checks"]} >= {"bay-tool-left-out"}
    there = [t for b in record["bays"] for t in b["tools"]]
    assert sorted(there + out) == ["T01", "T02", "T03", "T04", "T05"]
    # the further bay that is named holds them indeed
    size = error["remedy"].split("further bay of ")[1].split(" mm")[0].replace(" ", "")
    skip = "".join(f'[[tools]]\npocket_id = "{t}"\nskip = true\n' for t in there)
    (job.path / "panel.toml").write_text(skip, "utf-8")
    assert run(["arrange", "bench", "--bay", size, "--place", "fresh", "-q"]) == 0


@pytest.mark.parametrize(
    ("typed", "slug"),
    [
        (["--bay", "top=260x230"], "bays-too-few"),
        ([], "bays-too-few"),
        ([a for n in range(21) for a in ("--bay", f"b{n}=260x230")], "bays-too-many"),
        (["--bay", "top=260x230", "--bay", "TOP=260x230"], "bay-named-twice"),
        (["--bay", "a/b=260x230", "--bay", "low=260x230"], "bay-name-unusable"),
        (["--bay", "=260x230", "--bay", "low=260x230"], "size-unreadable"),
        (["--bay", "top=260", "--bay", "low=260x230"], "size-unreadable"),
        (["--bay", "top=2x230", "--bay", "low=260x230"], "number-out-of-range"),
        (["--bay", "top=260x230x0", "--bay", "low=260x230"], "number-out-of-range"),
        ([*BAYS, "--put", "T01"], "put-unreadable"),
        ([*BAYS, "--put", "T01=top", "--put", "T01=low"], "put-unreadable"),
        ([*BAYS, "--put", "T01=middle"], "bay-unknown"),
        ([*BAYS, "--put", "T77=top"], "panel-unknown-tool"),
    ],
)
def test_bad_input_is_refused_in_a_sentence_and_leaves_nothing(
    job: JobFolder, capsys: pytest.CaptureFixture[str], typed: list[str], slug: str
) -> None:
    assert run(["divide", "bench", *typed, "--json"]) != 0
    assert json.loads(capsys.readouterr().out)["error"]["slug"] == slug
    assert [p.name for p in job.path.parent.iterdir()] == ["bench.job"]
    assert not (job.path / "bays.csv").exists()


def test_an_emblem_is_no_tool_and_is_told(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    emblem = 'name = "sign"\noutline_id = "T05"\nx_mm = 60\ny_mm = 60\nheight_mm = 40\n'
    (job.path / "panel.toml").write_text(f"[[emblems]]\n{emblem}", "utf-8")
    assert run(["divide", "bench", *BAYS, "--json"]) in (0, 3)
    record = json.loads(capsys.readouterr().out)
    assert [t["id"] for t in record["tools"]] == ["T01", "T02", "T03", "T04"]
    assert "bays-without-fittings" in {c["slug"] for c in record["checks"]}


def test_a_copy_may_go_where_its_original_is_not(
    job: JobFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    (job.path / "panel.toml").write_text('[[copies]]\nof = "T05"\n', "utf-8")
    apart = ["--put", "T05=top", "--put", "T05-2=low"]
    assert run(["divide", "bench", *BAYS, *apart, "-q"]) == 0
    top, low = (JobFolder(job.path.with_name(f"bench-{n}.job")) for n in ("top", "low"))
    assert "T05" in pockets(top) and "T05-2" not in pockets(top)
    assert "T05-2" in pockets(low) and "T05" not in pockets(low)
