"""The same lay is not added twice, however its photos come; another lay is."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely import affinity

from tests.cli.photos import SPANNER, TOOLS, jpeg, lay, put_job
from tests.cli.test_trace import bytes_of, load
from tests.scene_maker import Scene, make_scene, make_view
from tests.scene_parts import CARDS, Look, Tool
from tracer.cli.app import run

ADD = ["trace", "new.jpg", "--job", "bench", "--add", "--silhouettes", "classical", "--quiet"]
ADD += ["--card-size", "168.0x112.0"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    put_job(tmp_path)
    return tmp_path


def saved_anew() -> bytes:
    """The same photo with other bytes and less detail, as a messenger sends it."""
    out = BytesIO()
    Image.fromarray(lay().photo.pixels).save(out, "JPEG", quality=70)
    return out.getvalue()


def from_elsewhere() -> bytes:
    """The same lay from another place: the tall tool, of unknown height, seems to have moved."""
    view = make_view(above_mm=(300.0, 230.0), height_mm=900.0, tilt_deg=6.0, turn_deg=-8.0)
    return jpeg(make_scene(TOOLS, look=Look(seed=3), view=view))


def turned_spanner() -> Scene:
    """Cards unmoved, other tools: one of the same form lies elsewhere and turned."""
    turned = affinity.rotate(affinity.translate(SPANNER, 20, 40), 15)
    return lay((Tool(turned, 6.0, "blue"),), seed=2)


def other_tools() -> bytes:
    return jpeg(turned_spanner())


def moved_cards() -> bytes:
    """The tools where they were on the bench, the cards laid out anew."""
    last = CARDS[-1]
    cards = [*CARDS[:-1], replace(last, x_mm=last.x_mm - 25.0)]
    return jpeg(make_scene(TOOLS, look=Look(seed=4), cards=cards))


def test_the_very_photo(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = bytes_of(bench / "bench.job")
    (bench / "new.jpg").write_bytes(jpeg(lay()))
    assert run(ADD) == 1
    told = capsys.readouterr().err
    assert "new.jpg belongs to lay 1 (bench photo.jpg)" in told
    assert "[photo-in-job]" in told
    assert bytes_of(bench / "bench.job") == before


@pytest.mark.parametrize("photo", [saved_anew, from_elsewhere])
def test_the_same_lay(bench: Path, capsys: pytest.CaptureFixture[str], photo) -> None:  # type: ignore[no-untyped-def]
    before = bytes_of(bench / "bench.job")
    (bench / "new.jpg").write_bytes(photo())
    assert run(ADD) == 1
    told = capsys.readouterr().err
    assert "new.jpg shows lay 1 of the job (bench photo.jpg) again" in told
    assert "[lay-in-job]" in told
    assert bytes_of(bench / "bench.job") == before


def test_another_lay_with_a_list_of_its_own(bench: Path) -> None:
    """The new list's rows are the new lay's; the job's list keeps all that it holds."""
    path = bench / "bench.job" / "tools.csv"
    before = path.read_text("utf-8").replace("T01", "first spanner").replace("\r\n", "\n")
    later = "saw,10,20,,,,,\n# to be lent out\n"
    path.write_text(before + later, "utf-8")
    scene = turned_spanner()
    inside = scene.tools[0].plan.representative_point()
    x, y = scene.view.to_photo([(inside.x, inside.y)])[0]
    (bench / "new.jpg").write_bytes(jpeg(scene))
    (bench / "new.csv").write_text(f"name,x_px,y_px,height_mm\nlent spanner,{x:.1f},{y:.1f},6\n")
    assert run([*ADD, "--tools", "new.csv"]) == 0
    found = {(o["name"], o["lay"]) for o in load(bench / "bench.job")["outlines"]}
    # the first lay is not run, so its outlines keep their names until it is
    assert found == {("T01", 1), ("T02", 1), ("lent spanner", 2)}
    text = path.read_text("utf-8")
    assert "# to be lent out" in text
    assert [line.split(",")[0] for line in text.splitlines()[1:]] == [
        "lent spanner",
        "first spanner",
        "T02",
        "saw",
        "# to be lent out",
    ]


@pytest.mark.parametrize("photo", [other_tools, moved_cards])
def test_another_lay(bench: Path, photo) -> None:  # type: ignore[no-untyped-def]
    (bench / "new.jpg").write_bytes(photo())
    assert run(ADD) == 0
    lays = [o["lay"] for o in load(bench / "bench.job")["outlines"]]
    assert lays[:2] == [1, 1]
    assert 2 in lays
    assert np.all(np.diff(lays) >= 0)
