"""One command brings back a person's file as it was before a run wrote it anew."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.photos import put_job
from tracer.cli.app import run
from tracer.project.store import JobFolder

LIST = "tools.csv"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    monkeypatch.chdir(tmp_path)
    return JobFolder(put_job(tmp_path))


def write(job: JobFolder, data: bytes) -> None:
    with job.locked():
        job.commit({LIST: data})


def test_list_and_pick(job: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    typed = job.read(LIST).replace(b"T01", b"my own name")
    (job.path / LIST).write_bytes(typed)
    head = typed.splitlines(keepends=True)[0]
    write(job, head + b"second,1,2\r\n")
    write(job, head + b"third,1,2\r\n")
    assert run(["restore", "bench"]) == 0
    shown = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in shown[:2]] == ["2", "1"]
    assert "my own name" in shown[1]
    assert run(["restore", "bench", "1"]) == 0
    assert "number 1" in capsys.readouterr().out
    assert job.read(LIST) == typed
    # what was there is kept too, so that the way back is open
    assert run(["restore", "bench", LIST, "--quiet"]) == 0
    assert b"third" in job.read(LIST)
    assert run(["restore", "bench", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert [f["number"] for f in record["former"]] == [4, 3, 2, 1]


def test_nothing_to_bring_back(job: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["restore", "bench"]) == 0
    assert "yet" in capsys.readouterr().out
    for which in ("1", LIST, "../job.json"):
        assert run(["restore", "bench", which]) == 2
        assert "[former-unknown]" in capsys.readouterr().err
    assert run(["restore", "no such job"]) == 2
    assert "[job-missing]" in capsys.readouterr().err


def test_a_run_that_writes_the_list_anew_keeps_it(job: JobFolder) -> None:
    """In an 8-bit encoding, with notes, rows of a lay to come and a column of one's own."""
    typed = (
        job.read(LIST).decode().replace("quantity\r\n", "quantity,shelf,lay\r\n")
        + "# für später\r\nBügelsäge,10,20,,,,,,oben,2\r\n"
    )
    (job.path / LIST).write_bytes(typed.encode("cp1252"))
    assert run(["trace", "--job", "bench", "--quiet"]) == 0
    assert job.read(LIST) == typed.encode("utf-8-sig")
    assert run(["restore", "bench", LIST, "--quiet"]) == 0
    assert job.read(LIST) == typed.encode("cp1252")


def test_another_list_is_taken_in(job: JobFolder, capsys: pytest.CaptureFixture[str]) -> None:
    rows = job.read(LIST).decode().splitlines()
    (job.path / LIST).write_text(
        "\n".join([rows[0] + ",lay", rows[1].replace("T01", "spanner") + ",1", rows[2] + ",1",
                   "saw,5,6,,,,,,2"]) + "\n"
    )  # fmt: skip
    Path("other.csv").write_text("name,x_px,y_px,height_mm\n" + rows[2].replace(",,,,,", ",31\n"))
    assert run(["trace", "--job", "bench", "--tools", "other.csv"]) == 0
    assert "[list-merged]" in capsys.readouterr().err
    text = job.read(LIST).decode()
    assert "spanner" in text
    assert "saw,5,6,,,,,,2" in text
    assert ",31," in text
    Path("empty.csv").write_text("")
    before = job.read(LIST)
    assert run(["trace", "--job", "bench", "--tools", "empty.csv", "--quiet"]) == 0
    assert job.read(LIST) == before
