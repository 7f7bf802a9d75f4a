"""Is what is missing found: registration and decision on rendered photos with known states.

    python -m tests.benchmarks.inspect SCENES... [--count 60] [--first 0] [--seed 21] [--marks]
        [--large] [--pale] [--first-time] [--strangers N] [--kept FOLDER] [--json FILE]
        [--markdown FILE]
    python -m tests.benchmarks.inspect --sum FILE... [--markdown FILE]

SCENES are folders with a ``truth.json``; their tools are arranged into a panel each. Photos are
made by `tests.inspection.cases`: three pairs of foam colours, five lights, 0.6 to 2 m, tilts to 35
degrees, a tenth, half or most of the tools gone, hands, cables, coats and rags in front.
``--marks`` sticks corner marks on, ``--large`` renders at 12 megapixels instead of 3, ``--pale``
uses a floor without colour. ``--first-time``: no earlier photo has shown the floors as drawn, so
that strong even colours are doubted. ``--strangers`` looks for the *next* scene's panel in so many
of the photos. ``--sum`` adds up what several runs wrote with ``--json``; a photo may be in one
alone.

*Registered*: the panel was found, with less than 5 mm of error (root mean square over the walls);
*false*: it was found elsewhere. *Seen*: a pocket in the picture of which at least nine tenths are
covered by nothing. *Right*: of what was decided, not unsure. Every empty pocket counts for what is
called present, however covered. *Unlike*: the outline of what lies there and the pocket's own tool
have less than seven tenths of their area in common. An upper bound of a share is that of Clopper
and Pearson (1934).
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import beta

from tests.inspection.cases import LARGE_PX, SMALL_PX, Case, case_of, photo_of
from tests.inspection.photo import PanelPhoto
from tracer.errors import TracerError
from tracer.inspection.pattern import panel_pattern
from tracer.model.inspection import PocketState
from tracer.workflows.inspecting.inspect_photos import PanelAt, inspect_photos

#: outlines of less common area than this are of unlike shape
UNLIKE = 0.7
NAMES = {"present": "present", "missing": "missing", "wrong": "wrong", "turned": "wrong"}


@dataclass(frozen=True)
class PocketRow:
    """One pocket of one photo: truth, what was said, how much of it was seen."""

    truth: str
    said: str
    probability: float
    inside: float
    free: float
    alike: float

    @property
    def seen(self) -> bool:
        """Whether it could be judged at all."""
        return self.inside > 0.97 and self.free > 0.9


@dataclass(frozen=True)
class PhotoRow:
    """One photo: how it was taken, whether the panel was found, its pockets."""

    number: int
    scene: str
    foam: str
    light: str
    tilt_deg: float
    distance_mm: float
    things: tuple[str, ...]
    found_by: str
    score: float
    error_mm: float | None
    seconds: float
    pockets: tuple[PocketRow, ...]

    @property
    def registered(self) -> bool:
        """Found, and in its place."""
        return self.error_mm is not None and self.error_mm < 5.0


def rendered(case: Case, kept: Path | None) -> PanelPhoto:
    """The photo of a case, from the folder of photos rendered before where it is there."""
    if kept is None:
        return photo_of(case)
    what = (case.scene.name, case.seed, case.shot.size_px[0], int(case.marks), case.foam[:9])
    file = kept / f"{'-'.join(map(str, what))}.pickle"
    if file.exists():
        found: PanelPhoto = pickle.loads(file.read_bytes())
        return found
    photo = photo_of(case)
    kept.mkdir(parents=True, exist_ok=True)
    file.write_bytes(pickle.dumps(photo))
    return photo


def measured(case: Case, photo: PanelPhoto, number: int, *, first_time: bool = False) -> PhotoRow:
    """Inspect one photo and compare with the truth."""
    start = time.process_time()
    found = None
    try:
        done = inspect_photos(
            [PanelAt("panel", case.panel, confirmed=not first_time)],
            [photo.photo],
            marks=case.marks,
        )
        found = done.panels["panel"]
    except TracerError:
        pass
    seconds = time.process_time() - start
    error, by, score, rows = None, "", 0.0, []
    if found is not None:
        (sighting,) = found.sightings.values()
        by, score = sighting.found.value, sighting.score
        walls = panel_pattern(case.panel).walls_mm
        true = photo.wall_px(walls, case.panel.size_mm)
        # the sighting's own bulge is in its walls too: compare what was drawn over the photo
        u = walls / np.array(case.panel.size_mm) * 2 - 1
        z = sighting.bulge_mm * np.prod(np.clip(1 - u * u, 0, 1), axis=1)
        ours = sighting.view.to_photo(np.column_stack([walls, z]))
        off = np.linalg.norm(ours - true, axis=1) * photo.view.mm_per_px(walls)
        error = float(np.sqrt(np.nanmean(off**2)))
        for finding in found.findings:
            inside, free = photo.seen[finding.pocket_id]
            truth = photo.states[finding.pocket_id]
            alike = photo.alike.get(finding.pocket_id, 0.0)
            rows.append(
                PocketRow(truth, finding.state.value, finding.probability, inside, free, alike)
            )
    return PhotoRow(
        number, case.scene.name, case.foam, case.shot.light, case.shot.tilt_deg,
        case.shot.distance_mm, case.things, by, score, error, seconds, tuple(rows),
    )  # fmt: skip


def upper_bound(count: int, of: int, level: float = 0.95) -> float:
    """One-sided upper bound of a share (Clopper and Pearson, Biometrika 26, 1934).

    Examples
    --------
    >>> round(upper_bound(0, 3000), 5)
    0.001
    """
    return 1.0 if count >= of else float(beta.ppf(level, count + 1, of - count))


def share(part: int, of: int) -> str:
    """``98.7 % (148 of 150)``."""
    return f"{100 * part / of:.1f} % ({part} of {of})" if of else "none"


def share_between(part: int, of: int) -> str:
    """A share with its two-sided 95 % interval.

    >>> share_between(148, 150)
    '148 of 150, 98.7 % (95.3 to 99.8)'
    """
    if not of:
        return "none"
    low, high = 1 - upper_bound(of - part, of, 0.975), upper_bound(part, of, 0.975)
    return f"{part} of {of}, {100 * part / of:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def summary(rows: Sequence[PhotoRow], share: Callable[[int, int], str] = share) -> dict[str, str]:
    """The figures of some photos; ``share`` writes a part of a whole."""
    good = [r for r in rows if r.registered]
    false = sum(r.error_mm is not None and not r.registered for r in rows)
    errors = np.array([r.error_mm for r in good if r.error_mm is not None])
    pockets = [p for r in good for p in r.pockets]
    everywhere = [p for r in rows for p in r.pockets]
    seen = [p for p in pockets if p.seen]
    decided = [p for p in seen if p.said != PocketState.UNSURE]
    right = sum(p.said == NAMES[p.truth] for p in decided)
    empty = [p for p in everywhere if p.truth == "missing"]
    lost = sum(p.said == PocketState.PRESENT for p in empty)
    odd = [p for p in seen if NAMES[p.truth] == "wrong"]
    unlike = [p for p in odd if p.alike < UNLIKE]
    alarms = sum(p.truth == "present" and p.said == PocketState.MISSING for p in seen)
    out = {
        "photos registered": share(len(good), len(rows)) + (f", FALSE {false}" if false else ""),
        "pockets right": share(right, len(decided)),
        "unsure": share(len(seen) - len(decided), len(seen)),
        "missing called present": f"{lost} of {len(empty)}"
        + (f", at most {100 * upper_bound(lost, len(empty)):.2f} %" if empty else ""),
        "missing found": share(
            sum(p.truth == "missing" and p.said == PocketState.MISSING for p in seen),
            sum(p.truth == "missing" for p in seen),
        ),
        "present called missing": f"{alarms} of {sum(p.truth == 'present' for p in seen)}",
        "wrong not called present": share(
            sum(p.said != PocketState.PRESENT for p in odd), len(odd)
        ),
        "of unlike shape": share(sum(p.said != PocketState.PRESENT for p in unlike), len(unlike)),
    }
    if len(errors):
        out["of these within 1.5 mm"] = share(int((errors <= 1.5).sum()), len(errors))
        out["error mm, median / 95 % / largest"] = (
            f"{np.median(errors):.2f} / {np.quantile(errors, 0.95):.2f} / {errors.max():.2f}"
        )
    return out


def tables(rows: Sequence[PhotoRow]) -> str:
    """All figures, then by tilt, distance, light, foam and scene."""

    def group(name: str, key: Callable[[PhotoRow], str]) -> Iterable[str]:
        parts: dict[str, list[PhotoRow]] = defaultdict(list)
        for row in rows:
            parts[key(row)].append(row)
        keep = ("photos registered", "pockets right", "unsure", "missing called present")
        yield f"| {name} | " + " | ".join(keep) + " | error mm |"
        yield "|" + "---|" * (len(keep) + 2)
        for value, those in sorted(parts.items()):
            s = summary(those)
            error = s.get("error mm, median / 95 % / largest", "")
            yield f"| {value} | " + " | ".join(s[k] for k in keep) + f" | {error} |"
        yield ""

    lines = [f"- {name}: {value}" for name, value in summary(rows).items()]
    times = [r.seconds for r in rows]
    lines.append(f"- CPU seconds a photo: median {np.median(times):.1f}, most {max(times):.1f}")
    lines.append("")
    lines += group(
        "tilt",
        lambda r: f"{10 * int(r.tilt_deg // 10):2d} to {10 * int(r.tilt_deg // 10) + 10} deg",
    )
    lines += group("distance", lambda r: f"{0.5 * int(r.distance_mm // 500):.1f} m and up")
    lines += group("light", lambda r: r.light)
    lines += group("foam", lambda r: r.foam)
    lines += group("panel", lambda r: r.scene)
    return "\n".join(lines)


GROUPS: tuple[Callable[[PhotoRow], str], ...] = (
    lambda r: f"tilt {10 * int(min(r.tilt_deg, 34.9) // 10)} degrees and up",
    lambda r: f"{0.5 * max(int(r.distance_mm // 500), 1):.1f} m and up",
    lambda r: r.light,
    lambda r: r.foam,
    lambda r: f"panel {r.scene}",
)


def for_docs(rows: Sequence[PhotoRow]) -> str:
    """The tables that the documentation keeps."""
    times = [r.seconds for r in rows]
    lines = ["| | |", "|---|---|"]
    lines += [f"| {name} | {value} |" for name, value in summary(rows, share_between).items()]
    lines += [f"| CPU seconds a photo, median / most | {np.median(times):.1f} / {max(times):.1f} |"]
    keep = ("photos registered", "pockets right", "unsure", "missing called present")
    lines += ["", "| | found | right | unsure | empty called present | error mm, median / 95 % |"]
    lines += ["|---|---|---|---|---|---|"]
    for key in GROUPS:
        parts: dict[str, list[PhotoRow]] = defaultdict(list)
        for row in rows:
            parts[key(row)].append(row)
        for name, those in sorted(parts.items()):
            s = summary(those)
            error = s.get("error mm, median / 95 % / largest", "").rsplit(" / ", 1)[0]
            cells = [s[k].split(", at most")[0] for k in keep]
            lines.append(f"| {name} | {' | '.join(cells)} | {error} |")
    lines += ["", *calibration(rows).splitlines(), ""]
    return "\n".join(lines)


def calibration(rows: Sequence[PhotoRow]) -> str:
    """How often a state that was said with a probability is right."""
    decided = [p for r in rows if r.registered for p in r.pockets if p.seen and p.said != "unsure"]
    lines = ["| said | right |", "|---|---|"]
    for low, high in ((0.0, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.99), (0.99, 1.01)):
        those = [p for p in decided if low <= p.probability < high]
        right = sum(p.said == NAMES[p.truth] for p in those)
        lines.append(f"| {low:.2f} to {min(high, 1):.2f} | {share(right, len(those))} |")
    return "\n".join(lines)


def strangers(scenes: Sequence[Path], args: argparse.Namespace) -> str:
    """How often a photo of one panel is taken for the next scene's."""
    taken = 0
    for number in range(args.first, args.first + args.strangers):
        case = case_of(scenes, args.seed, number, cache_folder=args.kept, marks=args.marks)
        other = case_of(scenes, args.seed, number + 1, cache_folder=args.kept)
        photo = rendered(case, args.kept)
        try:
            inspect_photos([PanelAt("other", other.panel)], [photo.photo], marks=args.marks)
            taken += 1
            print(f"photo {number} of {case.scene.name} was taken for {other.scene.name}")
        except TracerError:
            pass
    return f"- another panel taken for the one asked for: {taken} of {args.strangers}"


def added(files: Sequence[Path]) -> list[PhotoRow]:
    """The photos of several runs.

    Raises
    ------
    ValueError
        Where a photo is in more than one of them.
    """
    rows = []
    for file in files:
        for row in json.loads(file.read_text("utf-8")):
            pockets = tuple(PocketRow(**p) for p in row["pockets"])
            rows.append(PhotoRow(**{**row, "things": tuple(row["things"]), "pockets": pockets}))
    photos = {(r.number, r.scene, r.light, r.tilt_deg, r.distance_mm) for r in rows}
    if len(photos) < len(rows):
        raise ValueError(f"{len(rows) - len(photos)} photos are there more than once.")
    return rows


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenes", nargs="*", type=Path)
    parser.add_argument("--sum", nargs="+", type=Path, metavar="FILE")
    for name, value in (("count", 60), ("first", 0), ("seed", 21), ("strangers", 0)):
        parser.add_argument(f"--{name}", type=int, default=value)
    for flag in ("marks", "large", "pale", "first-time"):
        parser.add_argument(f"--{flag}", action="store_true")
    for name in ("kept", "json", "markdown"):
        parser.add_argument(f"--{name}", type=Path)
    args = parser.parse_args()
    if not args.scenes and not args.sum:
        parser.error("SCENES or --sum is needed")
    rows = added(args.sum) if args.sum else _inspected(args)
    print(tables(rows))
    print(calibration(rows))
    if args.markdown:
        args.markdown.write_text(for_docs(rows), "utf-8")
    if args.strangers:
        print(strangers(args.scenes, args))


def _inspected(args: argparse.Namespace) -> list[PhotoRow]:
    rows = []
    for number in range(args.first, args.first + args.count):
        case = case_of(
            args.scenes, args.seed, number, cache_folder=args.kept, marks=args.marks,
            size_px=LARGE_PX if args.large else SMALL_PX, pale=args.pale,
        )  # fmt: skip
        photo = rendered(case, args.kept)
        row = measured(case, photo, number, first_time=args.first_time)
        rows.append(row)
        bad = [p for p in row.pockets if p.truth == "missing" and p.said == "present"]
        if not row.registered or bad:
            print(f"photo {number}: {row.scene}, {row.light}, {row.tilt_deg:.0f} deg, "
                  f"{row.things}, error {row.error_mm}, {len(bad)} lost", flush=True)  # fmt: skip
        if args.json:
            record: list[Any] = [asdict(r) for r in rows]
            args.json.write_text(json.dumps(record), "utf-8")
    return rows


if __name__ == "__main__":
    main()
