"""Running tests in forked processes: to learn what each passes over, and with a fault put in."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import resource
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import pytest

from tests.mutation.faults import Fault, mutated

__all__ = ["HEAVY", "Passed", "lines_of", "tried"]

#: imported once, before any process is forked; nothing of ours is among them
HEAVY = (
    "numpy",
    "scipy.optimize",
    "scipy.ndimage",
    "scipy.spatial",
    "scipy.linalg",
    "scipy.stats",
    "shapely.ops",
    "cv2",
    "skimage.measure",
    "PIL.Image",
    "hypothesis",
    "ezdxf",
    "pydantic",
)
#: a fault may ask for all the memory there is
MOST_BYTES = 8_000_000_000
QUIET = ["-q", "-x", "--no-header", "-p", "no:cacheprovider", "-p", "no:randomly"]
Passed = dict[str, Any]


class _Recorder:
    """What each test passes over, by the interpreter's own trace; files under ``rooms`` alone."""

    def __init__(self, root: Path, rooms: Sequence[str]) -> None:
        self.prefixes = tuple(str(root / room) for room in rooms)
        self.root = len(str(root)) + 1
        self.lines: dict[str, set[int]] = {}
        self.known: dict[CodeType, bool] = {}
        self.found: dict[str, Passed] = {}

    def _calls(self, frame: FrameType, event: str, arg: object) -> Any:
        code = frame.f_code
        ours = self.known.get(code)
        if ours is None:
            ours = self.known[code] = code.co_filename.startswith(self.prefixes)
        if not ours:
            return None
        mine = self.lines.setdefault(code.co_filename[self.root :], set())

        def line(frame: FrameType, event: str, arg: object) -> Any:
            mine.add(frame.f_lineno)
            return line

        mine.add(frame.f_lineno)
        return line

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        self.lines = {}
        began = time.perf_counter()
        sys.settrace(self._calls)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            self.found[item.nodeid] = {
                "seconds": time.perf_counter() - began,
                "lines": {f: sorted(n) for f, n in self.lines.items()},
            }


def lines_of(test_file: str, root: Path, rooms: Sequence[str], out: Path) -> int:
    """Run a file of tests in a forked process; what each test passes over goes to ``out``."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            recorder = _Recorder(root, rooms)
            _silent()
            code = int(pytest.main([*QUIET[:1], *QUIET[2:], test_file], plugins=[recorder]))
            out.write_text(json.dumps(recorder.found))
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


class _Loader(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module with a fault in it."""

    def __init__(self, root: Path, fault: Fault) -> None:
        path = root / fault.file
        parts = list(Path(fault.file).with_suffix("").parts)
        self.package = parts[-1] == "__init__"
        self.name = ".".join(parts[:-1] if self.package else parts)
        self.path = path
        self.code = compile(mutated(path.read_text("utf-8"), fault), str(path), "exec")

    def find_spec(
        self, name: str, path: object = None, target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(
            name,
            self.path,
            loader=self,
            submodule_search_locations=[str(self.path.parent)] if self.package else None,
        )

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> ModuleType | None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


def tried(fault: Fault, tests: Sequence[str], root: Path, patience_s: float) -> str:
    """``killed``, ``survived`` or ``out of time`` (which counts as killed)."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.setpgid(0, 0)
            resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
            _silent()
            sys.meta_path.insert(0, _Loader(root, fault))
            code = int(pytest.main([*QUIET, *tests]))
        except BaseException:
            code = 1
        finally:
            os._exit(code)
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "survived" if os.waitstatus_to_exitcode(status) == 0 else "killed"
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "out of time"


def _silent() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    for name in [n for n in sys.modules if n.split(".")[0] == "tracer"]:
        raise RuntimeError(f"{name} was imported before the fault was put in")
