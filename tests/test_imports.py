"""The one-way import rule: data flows one way, so do imports.

Between rooms the table below is the rule. Inside a room each sub-room says in its ``__init__`` what
it may import of that room ("May import: ..."); modules beside the sub-rooms compose them.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tracer"

STAGES = {"calibration", "segmentation", "parallax", "panel", "export", "inspection"}
RIM = {"films", "photos", "pictures", "project"}
BASE = {"errors", "lengths", "loading", "progress", "ranges", "spelling", "assets", "atomic"}
BASE |= {"interruption"}
#: room -> rooms it may import (its own is always allowed)
ALLOWED: dict[str, set[str]] = {name: {"errors"} for name in BASE}
ALLOWED["interruption"] |= {"atomic"}  # its last words say what has been written
ALLOWED["ranges"] |= {"spelling"}
ALLOWED["loading"] |= {"ranges"}
ALLOWED["lengths"] |= {"ranges"}
ALLOWED["model"] = set(BASE)
ALLOWED["geometry"] = BASE | {"model"}
for room in STAGES | RIM:
    ALLOWED[room] = BASE | {"model", "geometry"}
ALLOWED["films"] |= {"photos"}  # a film is read as photos
ALLOWED["learning"] = BASE | {"model", "geometry"} | STAGES
ALLOWED["workflows"] = BASE | {"model", "geometry"} | STAGES | RIM
ALLOWED["cli"] = ALLOWED["workflows"] | {"workflows"}
ALLOWED["batch"] = set(ALLOWED["cli"])
ALLOWED["desk"] = set(ALLOWED["cli"])
ALLOWED["cli"] |= {"desk", "batch"}  # the commands that start them; they know nothing of it
ALLOWED["__main__"] = {"cli"} | BASE
ALLOWED["arguments"] = set(BASE)
ALLOWED["api"] = ALLOWED["workflows"] | {"workflows", "arguments"}
ALLOWED["__init__"] = ALLOWED["cli"] | {"api"}

#: third-party package -> the only rooms that may import it
CONFINED = {
    "cv2": {
        "calibration",
        "films",
        "inspection",
        "learning",
        "photos",
        "pictures",
        "segmentation",
    },
    "ezdxf": {"export"},
    "typer": {"cli"},
    "rich": {"cli"},
    "pydantic": {"project"},
    "charset_normalizer": {"project"},
    "torch": {"learning"},
    "starlette": {"desk"},
    "uvicorn": {"desk"},
    "distributed": {"batch"},
    "dask": {"batch"},
    "fsspec": {"batch"},
}

#: import name -> name of the distribution, where they differ
DISTRIBUTIONS = {
    "cv2": "opencv-python",
    "skimage": "scikit-image",
    "PIL": "pillow",
    "fontTools": "fonttools",
}

MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names.append(node.module or "")
            if node.module == "tracer":
                names[-1:] = [f"tracer.{alias.name}" for alias in node.names]
    return names


def violations(room: str, names: list[str]) -> list[str]:
    bad = []
    for name in names:
        top, *rest = name.split(".")
        if top == "tracer" and rest and rest[0] not in ALLOWED[room] | {room, "__version__"}:
            bad.append(name)
        if top in CONFINED and room not in CONFINED[top]:
            bad.append(name)
    return bad


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_flow_one_way(path: Path) -> None:
    assert violations(room_of(path), imported(path)) == []


def test_whatever_is_imported_is_declared() -> None:
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    asked = [*project["dependencies"], *extras["cluster"], *extras["remote"], *extras["learning"]]
    declared = {re.split(r"[\[<>=~; ]", line)[0].lower() for line in asked}
    declared |= {"dask", "pydantic-core"}  # parts of distributed and pydantic, pinned by them
    tops = {name.split(".")[0] for path in MODULES for name in imported(path)}
    outside = {DISTRIBUTIONS.get(t, t) for t in tops - sys.stdlib_module_names - {"tracer"}}
    assert {name for name in outside if name.replace("_", "-").lower() not in declared} == set()


def test_rule_catches_a_step_back() -> None:
    back = ["tracer.segmentation.edge.refine"]
    assert violations("calibration", back) == back
    assert violations("panel", ["cv2"]) == ["cv2"]
    assert violations("workflows", ["tracer.cli.app"]) == ["tracer.cli.app"]


def sub_rooms() -> dict[str, set[str]]:
    """Each sub-room, as ``room.sub``, with what its ``__init__`` lets it import of its room."""
    allowed = {}
    for init in sorted(PACKAGE.glob("*/*/__init__.py")):
        room, sub = init.parent.relative_to(PACKAGE).parts
        words = ast.get_docstring(ast.parse(init.read_text("utf-8"))) or ""
        said = re.search(r"^May import: (.+)\.$", words, re.M)
        assert said, f"{room}/{sub}/__init__.py does not say what it may import"
        assert re.search(r"^In: .+ Out: ", words, re.M | re.S), f"{room}/{sub}: in? out?"
        names = set() if said[1] == "nothing of this room" else set(said[1].split(", "))
        unknown = {n for n in names if not (PACKAGE / room / n).is_dir()}
        assert all((PACKAGE / room / f"{n}.py").is_file() for n in unknown), unknown
        allowed[f"{room}.{sub}"] = names
    return allowed


SUB_ROOMS = sub_rooms()


def steps_back(room: str, sub: str, names: list[str]) -> list[str]:
    inside = [n for n in names if n.startswith(f"tracer.{room}.")]
    return [n for n in inside if n.split(".")[2] not in SUB_ROOMS[f"{room}.{sub}"] | {sub}]


@pytest.mark.parametrize("name", SUB_ROOMS)
def test_sub_rooms_import_what_they_say(name: str) -> None:
    room, sub = name.split(".")
    for path in sorted((PACKAGE / room / sub).rglob("*.py")):
        assert steps_back(room, sub, imported(path)) == [], path


def test_sub_rooms_flow_one_way() -> None:
    for room in {name.split(".")[0] for name in SUB_ROOMS}:
        mine = {n.split(".")[1]: m for n, m in SUB_ROOMS.items() if n.startswith(f"{room}.")}
        TopologicalSorter(mine).prepare()  # raises where two sub-rooms need one another


def test_sub_rule_catches_a_step_back() -> None:
    back = ["tracer.segmentation.decide.learned"]
    assert steps_back("segmentation", "working_picture", back) == back
    assert steps_back("segmentation", "separate", back) == back
    assert steps_back("segmentation", "separate", ["tracer.segmentation.separate.cables"]) == []
