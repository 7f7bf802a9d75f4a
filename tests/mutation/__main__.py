"""Draw faults, try them, print the score with its interval."""

from __future__ import annotations

import argparse
import importlib
import json
import math
import os
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from tests.mutation.faults import Fault, faults_in
from tests.mutation.trying import HEAVY, Passed, lines_of, tried

ROOT = Path(__file__).parent.parent.parent
#: what is mutated: what states cameras, heights, uncertainty and clearance, and the panel's checks
MODULES = (
    "tracer/calibration",
    "tracer/parallax",
    "tracer/geometry/closed_rings.py",
    "tracer/panel/pocket/clearance.py",
    "tracer/panel/pocket/edge_errors.py",
    "tracer/panel/pocket/settling.py",
    "tracer/panel/pocket/looseness.py",
    "tracer/panel/pocket/fits.py",
    "tracer/panel/checks",
)
#: a room's tests
TESTS = {
    "tracer/calibration": ("tests/calibration",),
    "tracer/parallax": ("tests/parallax",),
    "tracer/geometry": ("tests/geometry",),
    "tracer/panel": ("tests/panel",),
}
MOST_S = 60.0  # of tests for one fault; quickest first


def wilson(part: int, whole: int, z: float = 1.96) -> tuple[float, float]:
    """The 95 % interval of a share (E. B. Wilson, JASA 22, 1927, 209-212).

    Examples
    --------
    >>> [round(v, 3) for v in wilson(9, 10)]
    [0.596, 0.982]
    """
    if not whole:
        return 0.0, 1.0
    share = part / whole
    middle = (share + z * z / (2 * whole)) / (1 + z * z / whole)
    half = z * math.sqrt(share * (1 - share) / whole + z * z / (4 * whole**2))
    return middle - half / (1 + z * z / whole), middle + half / (1 + z * z / whole)


def python_files(tops: Sequence[str], pattern: str = "*.py") -> list[Path]:
    """Modules at or under the given places."""
    found: list[Path] = []
    for top in tops:
        path = ROOT / top
        found += [path] if path.is_file() else sorted(path.rglob(pattern))
    return [p for p in found if p.name != "__init__.py"]


def passed_over(cache: Path, only: Sequence[str] | None = None) -> dict[str, Passed]:
    """What each test of the rooms passes over; kept, file of tests by file."""
    cache.mkdir(parents=True, exist_ok=True)
    found: dict[str, Passed] = {}
    for room, folders in TESTS.items():
        for path in python_files(folders, "test_*.py"):
            name = path.relative_to(ROOT).as_posix()
            if only is not None and name not in only:
                continue
            kept = cache / (name.replace("/", "__") + ".json")
            if not kept.exists():
                print(f"learning {name}", flush=True)
                lines_of(name, ROOT, [room], kept)
            if kept.exists():
                found |= json.loads(kept.read_text())
    return found


def tests_for(fault: Fault, passed: dict[str, Passed]) -> list[tuple[float, str]]:
    """Tests that pass over a fault's line (else over its module), quickest first."""
    room = next(r for r in TESTS if fault.file.startswith(r))
    mine = {
        name: value
        for name, value in passed.items()
        if name.startswith(TESTS[room]) and fault.file in value["lines"]
    }
    here = [n for n, v in mine.items() if fault.line in v["lines"][fault.file]]
    # a line that runs on import, or in a fixture that another test has used first
    files = {n.split("::")[0] for n in here}
    beside = [n for n in mine if n not in here and (not here or n.split("::")[0] in files)]
    chosen, spent = [], 0.0
    for names in (here, beside):
        for seconds, name in sorted((mine[n]["seconds"], n) for n in names):
            if spent + seconds <= MOST_S or not chosen:
                chosen.append((seconds, name))
                spent += seconds
    return chosen


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--json", type=Path, help="results; those in it already are not repeated")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "tracer-mutants"
    )
    parser.add_argument(
        "--share",
        default="1/1",
        help="K/N: every Nth of the drawn ones from the Kth on, for N runs",
    )
    parser.add_argument("--only", help="faults whose name holds this text")
    parser.add_argument("--modules", nargs="*", default=MODULES, help="what is mutated")
    parser.add_argument("--tests", nargs="*", help="files of tests, instead of all of the rooms'")
    given = parser.parse_args()
    os.chdir(ROOT)
    for name in HEAVY:
        importlib.import_module(name)
    import cv2

    cv2.setNumThreads(1)
    passed = passed_over(given.cache, given.tests)
    faults = [f for path in python_files(given.modules) for f in faults_in(path, ROOT)]
    drawn = random.Random(given.seed).sample(faults, min(given.sample, len(faults)))
    if given.only:
        drawn = [f for f in faults if given.only in f.name]
    first, every = (int(part) for part in given.share.split("/"))
    drawn = drawn[first - 1 :: every]
    kept: dict[str, str] = {}
    if given.json and given.json.exists():
        kept = json.loads(given.json.read_text())
    for number, fault in enumerate(drawn, start=1):
        if fault.name not in kept:
            tests = tests_for(fault, passed)
            patience = 20.0 + 5.0 * sum(s for s, _ in tests)
            names = [name for _, name in tests]
            kept[fault.name] = tried(fault, names, ROOT, patience) if names else "survived"
            if given.json:
                given.json.write_text(json.dumps(kept, indent=0))
        if kept[fault.name] == "survived":
            print(f"{number}: {fault.name} {fault.words}", flush=True)
    report(drawn, kept, len(faults))


def report(drawn: Sequence[Fault], kept: dict[str, str], possible: int) -> None:
    """Score per room and in all."""
    rooms = Counter(next(r for r in TESTS if f.file.startswith(r)) for f in drawn)
    for room in [*rooms, ""]:
        mine = [f for f in drawn if f.file.startswith(room)]
        killed = sum(kept[f.name] != "survived" for f in mine)
        low, high = wilson(killed, len(mine))
        print(
            f"{room or 'in all'}: {killed} of {len(mine)} killed = "
            f"{100 * killed / max(len(mine), 1):.0f} % ({100 * low:.0f} to {100 * high:.0f})"
        )
    print(f"drawn from {possible}")
    shutil.rmtree(ROOT / ".hypothesis" / "tmp", ignore_errors=True)


if __name__ == "__main__":
    main()
