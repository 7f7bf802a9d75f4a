"""``tracer swap`` on rendered lays: the proof that nothing else changes, and the way back."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pypdfium2
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.cli.photos import jpeg, lay
from tests.scene_maker import make_scene, make_view
from tests.scene_parts import Look, Tool
from tracer.cli.app import run
from tracer.geometry.compare import align, boundary_distance, filled
from tracer.project.store import JobFolder
from tracer.workflows.swapping import swap_store

OLD = box(140, 170, 260, 194).union(Point(140, 182).buffer(20))
NEW = box(150, 168, 275, 196).union(Point(150, 182).buffer(24))
BLOCK = Tool(box(330, 130, 400, 170), 20.0, "red")
BAR = Tool(box(330, 200, 420, 220), 8.0, "yellow")
LAY = (Tool(OLD, 10.0, "blue"), BLOCK, BAR)
SIZE = ["--card-size", "168x112", "-q"]
TYPED = ("--card-size", "168x112", "--height", "10", "--edge", "upright")


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos and a traced job, made once."""
    folder = tmp_path_factory.mktemp("swap")
    (folder / "lay.jpg").write_bytes(jpeg(lay(LAY)))
    # the new tool alone, turned, among the same cards: another view of another lay
    alone = affinity.rotate(affinity.translate(NEW, 60, 10), 150, origin="centroid")
    other = make_view(above_mm=(300, 220), turn_deg=8)
    scene = make_scene((Tool(alone, 10.0, "blue"),), look=Look(seed=3), view=other)
    (folder / "new.jpg").write_bytes(jpeg(scene))
    again = affinity.rotate(affinity.translate(OLD, 40, 20), 40, origin="centroid")
    scene = make_scene((Tool(again, 10.0, "blue"),), look=Look(seed=4), view=other)
    (folder / "again.jpg").write_bytes(jpeg(scene))
    assert run(["trace", str(folder / "lay.jpg"), "--height", "10", "--edge", "upright", "--job",
                str(folder / "bench"), *SIZE]) == 0  # fmt: skip
    return folder


@pytest.fixture
def job(photos: Path, tmp_path: Path) -> Path:
    target = tmp_path / "bench.job"
    shutil.copytree(photos / "bench.job", target)
    return target


def lines(job: Path) -> dict[str, str]:
    """The line of each outline."""
    found = {}
    for line in (job / "outlines.json").read_text("utf-8").splitlines():
        if line.startswith('  {"id": '):
            found[json.loads(line.rstrip(","))["id"]] = line.rstrip(",")
    return found


def region(line: str) -> Polygon:
    outline = json.loads(line)
    return Polygon(outline["exterior"], outline["holes"])


def old_tool(job: Path) -> str:
    """Id of the tool that is replaced."""
    return min(lines(job), key=lambda i: region(lines(job)[i]).distance(OLD.centroid))


def swap(job: Path, *arguments: str) -> int:
    return run(["swap", str(job), *arguments, "-q"])


def test_only_the_one_changes(job: Path, photos: Path) -> None:
    before, tool = lines(job), old_tool(job)
    assert set(before) == {"T01", "T02", "T03"}
    assert (
        swap(
            job,
            tool,
            str(photos / "new.jpg"),
            "--height",
            "10",
            "--edge",
            "upright",
            "--card-size",
            "168x112",
        )
        == 0
    )
    after = lines(job)
    assert {i for i in before if before[i] != after[i]} == {tool}
    assert list(before) == list(after)
    outline = json.loads(after[tool])
    assert outline["revision"] == json.loads(before[tool])["revision"] + 1
    motion = align([(region(after[tool]), NEW)], None)
    # as a tool among others it was laid near the old one; its own shape is the new tool's
    assert boundary_distance(
        filled(motion.region(region(after[tool]))), NEW
    ).mean_mm < 1.0 or region(after[tool]).area == pytest.approx(NEW.area, rel=0.05)
    record = json.loads((job / "job.json").read_text("utf-8"))
    assert record["revision"] == 2
    assert record["changes"][-1]["what"][0].startswith(tool)
    (patch,) = (job / "patch").iterdir()
    names = {p.name for p in patch.iterdir()}
    assert {"steps.pdf", "before-after.png", "template.pdf", "3-pocket.dxf"} <= names
    with pypdfium2.PdfDocument(patch / "steps.pdf") as document:
        text = document[0].get_textpage().get_text_range()
    assert "Blades" in text and "Glue" in text
    # a run over the lay's own photos leaves the new tool where it is
    assert run(["trace", "--job", str(job), "-q"]) == 0
    assert lines(job)[tool] == after[tool]
    assert set(lines(job)) == set(before)


def test_the_same_tool_again_keeps_its_pocket(
    job: Path, photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outlines, tool = (job / "outlines.json").read_bytes(), old_tool(job)
    arguments = [
        tool,
        str(photos / "again.jpg"),
        "--height",
        "10",
        "--edge",
        "upright",
        "--card-size",
        "168x112",
    ]
    assert run(["swap", str(job), *arguments, "--json"]) == 0
    (change,) = json.loads(capsys.readouterr().out)["changes"]
    assert change["outcome"] == "pocket stays"
    assert (job / "outlines.json").read_bytes() == outlines
    assert not (job / "patch").exists()
    assert json.loads((job / "job.json").read_text("utf-8"))["changes"]


def test_files_spelled_otherwise_hold_the_same_tools(job: Path) -> None:
    """JSON with other spaces and line ends (RFC 8259, section 2) is no other job."""
    assert run(["arrange", str(job), "--bay", "600x400", "-q"]) in (0, 3)
    first, tool = lines(job), old_tool(job)
    for name in ("panel.json", "outlines.json"):
        body = json.loads((job / name).read_bytes())
        (job / name).write_text(json.dumps(body, indent=3).replace("\n", "\r\n"), "utf-8")
    assert swap(job, tool, "--remove") in (0, 3)
    assert lines(job) == {name: line for name, line in first.items() if name != tool}


def test_there_and_back_again(job: Path, photos: Path) -> None:
    first, tool = lines(job), old_tool(job)
    assert swap(job, tool, str(photos / "new.jpg"), *TYPED) == 0
    assert swap(job, tool, str(photos / "again.jpg"), *TYPED) == 0
    was, now = json.loads(first[tool]), lines(job)[tool]
    distance = boundary_distance(align([(region(now), region(first[tool]))]).region(region(now)),
                                 region(first[tool]))  # fmt: skip
    sigma = (was["sigma_mm"] ** 2 + json.loads(now)["sigma_mm"] ** 2) ** 0.5
    assert distance.mean_mm < sigma  # two photos of one tool differ by less than they say
    # and the first state itself can be brought back, byte for byte
    assert run(["swap", str(job), "--back-to", "1", "-q"]) == 0
    assert lines(job) == first


def test_a_patch_is_not_lasered_out_of_unknown_foam(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert swap(job, old_tool(job), "--remove", "--machine", "co2-laser") == 1
    assert "[material-forbidden]" in capsys.readouterr().err
    assert not (job / "patch").exists()


def test_a_tool_goes_and_another_comes(
    job: Path, photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, tool = lines(job), old_tool(job)
    assert run(["cut", str(job), "--machine", "router", "-q"]) == 0
    cut = {p: p.read_bytes() for p in (job / "cut").rglob("*") if p.is_file()}
    capsys.readouterr()
    assert run(["swap", str(job), tool, "--remove"]) == 0
    # what was cut stays, and the closing lines say so, with the command
    assert {p: p.read_bytes() for p in (job / "cut").rglob("*") if p.is_file()} == cut
    told = capsys.readouterr()
    assert "cut/ is left as it was" in told.out
    assert re.search(r"tracer cut \S+ --machine router --replace\n$", told.out)
    assert "caution: Glue" in told.err and "caution: Blades" in told.err
    assert {i: lines(job)[i] for i in lines(job)} == {i: v for i, v in before.items() if i != tool}
    rows = (job / "tools.csv").read_text("utf-8").splitlines()
    assert len(rows) == 3
    assert run(["trace", "--job", str(job), "-q"]) == 0
    assert tool not in lines(job) and len(lines(job)) == 2
    assert swap(job, "pump", str(photos / "new.jpg"), "--add", "--at", "200,182", *TYPED) == 0
    (fresh,) = set(lines(job)) - set(before)
    assert region(lines(job)[fresh]).centroid.distance(Point(200, 182)) < 0.01
    assert json.loads(lines(job)[fresh])["name"] == "pump"


@pytest.mark.parametrize(
    ("arguments", "slug"),
    [
        (["T77", "new.jpg"], "tool-unknown"),
        (["T01"], "usage"),
        (["T01", "new.jpg", "--place", "anywhere"], "usage"),
        (["T01", "new.jpg", "--shift", "3"], "point-unreadable"),
        (["T01", "new.jpg", "--remove"], "usage"),
        (["--back-to", "9"], "revision-missing"),
    ],
)
def test_mistakes_change_nothing(
    arguments: list[str], slug: str, job: Path, photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {p: p.read_bytes() for p in job.rglob("*") if p.is_file()}
    named = [str(photos / a) if a.endswith(".jpg") else a for a in arguments]
    assert swap(job, *named) == 2
    assert capsys.readouterr().err.strip().endswith(f"[{slug}]")
    assert {p: p.read_bytes() for p in job.rglob("*") if p.is_file()} == before


def test_a_damaged_neighbour_is_stopped(job: Path) -> None:
    """Negative control of the comparison that guards the others."""
    opened = swap_store.open_job(JobFolder(job))
    tool = old_tool(job)
    data = (job / "outlines.json").read_bytes()
    swap_store._refuse_collateral(opened, data, {tool})
    neighbour = next(line for i, line in lines(job).items() if i != tool)
    for damaged in (neighbour.replace('"exterior": [[', '"exterior": [[9'), ""):
        with pytest.raises(RuntimeError, match="must stay"):
            swap_store._refuse_collateral(
                opened, data.replace(neighbour.encode(), damaged.encode()), {tool}
            )
