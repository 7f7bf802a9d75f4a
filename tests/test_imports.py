"""The one-way import rule: data flows one way, so do imports."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tracer"

STAGES = {"calibration", "segmentation", "parallax", "panel", "export", "inspection"}
RIM = {"photos", "pictures", "project"}
BASE = {"errors", "lengths", "loading", "progress", "ranges", "assets", "atomic", "interruption"}
#: room -> rooms it may import (its own is always allowed)
ALLOWED: dict[str, set[str]] = {name: {"errors"} for name in BASE}
ALLOWED["interruption"] |= {"atomic"}  # its last words say what has been written
ALLOWED["loading"] |= {"ranges"}
ALLOWED["lengths"] |= {"ranges"}
ALLOWED["model"] = set(BASE)
ALLOWED["geometry"] = BASE | {"model"}
for room in STAGES | RIM:
    ALLOWED[room] = BASE | {"model", "geometry"}
ALLOWED["learning"] = BASE | {"model", "geometry"} | STAGES
ALLOWED["workflows"] = BASE | {"model", "geometry"} | STAGES | RIM
ALLOWED["cli"] = ALLOWED["workflows"] | {"workflows"}
ALLOWED["batch"] = set(ALLOWED["cli"])
ALLOWED["desk"] = set(ALLOWED["cli"])
ALLOWED["cli"] |= {"desk", "batch"}  # the commands that start them; they know nothing of it
ALLOWED["__main__"] = {"cli"} | BASE
ALLOWED["__init__"] = ALLOWED["cli"]

#: third-party package -> the only rooms that may import it
CONFINED = {
    "cv2": {"photos", "calibration", "segmentation", "inspection", "pictures", "learning"},
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


def test_rule_catches_a_step_back() -> None:
    assert violations("calibration", ["tracer.segmentation.edges"]) == ["tracer.segmentation.edges"]
    assert violations("panel", ["cv2"]) == ["cv2"]
    assert violations("workflows", ["tracer.cli.app"]) == ["tracer.cli.app"]
