"""``tracer trial``: one sheet in real foam that proves phone, printer and machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracer.cli.console import Console
from tracer.cli.options import (
    FoamThickness,
    Json,
    Quiet,
    Replace,
    TestFoam,
    TestMachine,
    length,
    size,
    whole,
    with_range,
)
from tracer.errors import UsageError

if TYPE_CHECKING:
    from tracer.model.trial import Trial
    from tracer.workflows.proving.trial import MachineTold, PhoneTold

__all__ = ["trial"]


def _size(option: str, metavar: str, text: str) -> Any:
    return typer.Option(parser=size(option), metavar=metavar, help=with_range(text, option))


def trial(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the trial's files lie.")
    ] = Path("trial"),
    machine: TestMachine = "oscillating-knife",
    material: TestFoam = "unknown",
    thickness: FoamThickness = "30",
    coin: Annotated[
        Any, _size("--coin", "DxT", "Diameter and thickness of a round thing, measured.")
    ] = None,
    block: Annotated[
        Any, _size("--block", "LxW", "Long and short side of a block, measured.")
    ] = None,
    block_height: Annotated[
        Any,
        typer.Option(
            parser=length("--block-height"),
            metavar="LENGTH",
            help=with_range("Height of the block as it lies.", "--block-height"),
        ),
    ] = None,
    card: Annotated[
        Any,
        typer.Option(
            parser=whole("--card"),
            metavar="N",
            help=with_range("Number of the card on the sheet.", "--card"),
        ),
    ] = "0",
    paper: Annotated[str, typer.Option(metavar="SIZE", help="a4 or letter.")] = "a4",
    card_size: Annotated[
        Any, _size("--card-size", "LxS", "Reading: long and short side of the printed board.")
    ] = None,
    photo: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="PHOTO",
            help="Reading: photo of the sheet with both things on it. Several times.",
        ),
    ] = None,
    easy: Annotated[
        Any, _size("--easy", "LxW", "Reading: length and width of the pocket easy.")
    ] = None,
    snug: Annotated[
        Any, _size("--snug", "LxW", "Reading: length and width of the pocket snug.")
    ] = None,
    press: Annotated[
        Any, _size("--press", "LxW", "Reading: length and width of the pocket press.")
    ] = None,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Where the machine's profile goes.")
    ] = None,
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """One sheet to print, lay, photograph and cut: it proves phone, printer and machine.

    With the sizes of a coin and a block it writes the sheet and the machine's file. Readings are
    typed later, in any order: the printed board, the photo, the three pockets. What follows from
    them is kept and used from then on.
    """
    console = Console(as_json=as_json, quiet=quiet)
    readings = {k: v for k, v in (("easy", easy), ("snug", snug), ("press", press)) if v}
    if coin is not None or block is not None or block_height is not None:
        if readings or photo or card_size:
            raise UsageError(
                "usage",
                "The sheet is made first; readings come later.",
                "Leave out either the sizes of coin and block, or the readings.",
            )
        if coin is None or block is None or block_height is None:
            raise UsageError(
                "trial-sizes-missing",
                "A trial needs a round thing and a block, both measured.",
                "Type --coin 25.75x2.2 --block 60x20 --block-height 9.",
            )
        _sheet(
            console,
            folder,
            _made(machine, material, thickness, coin, block, block_height, card),
            paper,
            replace,
        )
        return

    from tracer.project.store import JobFolder
    from tracer.workflows.job.trace_job import read_photos
    from tracer.workflows.proving.trial import (
        opened_trial,
        read_board,
        read_photos_of,
        read_pockets,
    )
    from tracer.workflows.proving.trial_read import TRIAL_JOB

    kept = opened_trial(folder)
    lines: list[str] = []
    record: dict[str, Any] = {"folder": str(folder)}
    if card_size is not None:
        kept = read_board(folder, kept, (max(card_size), min(card_size)))
    if kept.board_mm is not None:
        bars = [round(100 * a / b, 2) for a, b in zip(kept.board_mm, (168.0, 112.0), strict=True)]
        record["printer"] = {"x_mm": bars[0], "y_mm": bars[1]}
        lines.append(f"printer: 100 mm come out as {bars[0]:.2f} and {bars[1]:.2f} mm")
    if photo:
        seen = read_photos_of(folder, kept, read_photos(photo), console)
        console.finish()
        console.checks(seen.checks)
        lines += _phone_lines(seen, record)
    if readings:
        kept, cut = read_pockets(folder, kept, readings, save, replacing=replace)
        if cut is not None:
            lines += _machine_lines(cut, record)
    lines += _missing(kept, JobFolder(folder / f"{TRIAL_JOB}.job").exists())
    console.result(record, "\n".join(lines))


def _made(
    machine: str, material: str, thickness: float, coin: Any, block: Any, high: float, card: int
) -> Trial:
    from tracer.model.trial import Trial

    return Trial(
        machine=machine,
        material=material,
        thickness_mm=thickness,
        coin_mm=coin,
        block_mm=(max(block), min(block), high),
        card=card,
    )


def _sheet(console: Console, folder: Path, made: Trial, paper: str, replacing: bool) -> None:
    from tracer.export.machine.checks import job_cautions, material_named
    from tracer.export.machine.profiles import read_machine
    from tracer.workflows.proving.trial import make_trial

    written = make_trial(folder, made, paper=paper, replacing=replacing)
    for sentence in job_cautions(read_machine(made.machine), material_named(made.material)):
        console.say(f"caution: {sentence}")
    lines = [
        *(str(path) for path in written),
        "Print the page at 100 %, measure its board, lay both things on, photograph it, cut the",
        "three pockets from your own foam, measure them. Then, in any order:",
        f"  tracer trial {folder} --card-size 168.0x112.0 --photo PHOTO",
        f"  tracer trial {folder} --easy 61.0x21.0 --snug 60.0x20.0 --press 59.2x19.2",
    ]
    console.result({"files": [str(p) for p in written]}, "\n".join(lines))


def _phone_lines(seen: PhoneTold, record: dict[str, Any]) -> list[str]:
    from tracer.workflows.proving.trial_read import told
    from tracer.workflows.tracing.known_things import sizes_text

    covered = sum(t.covered for t in seen.things)
    record["phone"] = {
        "edges_mm": [round(v, 3) for v in seen.now.values_mm],
        "mean_mm": round(seen.kept.mean_mm, 3),
        "half_mm": round(seen.kept.half_mm, 3),
        "readings": len(seen.kept.values_mm),
        "correction_mm": round(seen.kept.correction_mm, 3),
        "covered": covered,
    }
    lines = [
        f"  {t.name}: {sizes_text(t.known_mm)} mm, measured as {sizes_text(t.measured_mm)} mm"
        for t in seen.things
    ]
    moved = seen.kept.correction_mm
    lines.append(f"phone: edges stand outside by {told(seen.kept)}")
    lines.append(
        f"  new lays of this phone: every edge is moved by {moved:+.2f} mm"
        if moved
        else "  new lays of this phone: no edge is moved"
    )
    lines.append(f"  stated deviations cover {covered} of {len(seen.things)} things")
    return lines


def _machine_lines(cut: MachineTold, record: dict[str, Any]) -> list[str]:
    from tracer.workflows.proving.trial_read import told

    walls, before, after = cut.told.walls, cut.before, cut.after
    record["machine"] = {
        "walls_mm": [round(v, 3) for v in walls.values_mm],
        "mean_mm": round(walls.mean_mm, 3),
        "half_mm": round(walls.half_mm, 3),
        "deviation_mm": round(walls.deviation_mm, 3),
        "fit_offset_mm": after.fit_offset_mm,
        "cut_sigma_mm": after.cut_sigma_mm,
        "gaps_mm": {k: [round(v, 3) for v in pair] for k, pair in cut.told.gaps_mm.items()},
        "file": str(cut.file),
    }
    lines = [
        f"  {name}: {found:+.2f} mm a side, asked for {asked:+.2f}"
        for name, (found, asked) in cut.told.gaps_mm.items()
    ]
    lines.append(f"machine: walls stand outside by {told(walls)}")
    scatter = (
        f"  they scatter by {walls.deviation_mm:.2f} mm; the profile's {before.cut_sigma_mm:g}"
    )
    lines.append(
        scatter
        + (
            " mm is kept: three readings do not contradict it"
            if after.cut_sigma_mm == before.cut_sigma_mm
            else f" mm is replaced by {after.cut_sigma_mm:g}"
        )
    )
    lines.append(
        f"  {cut.file}: {after.fit_offset_mm:+.2f} mm on every fit, proved; use it from now on"
    )
    return lines


def _missing(kept: Trial, photographed: bool) -> list[str]:
    """What is still to be typed."""
    rest = [] if kept.board_mm else ["the printed board (--card-size)"]
    rest += [f"the pocket {n} (--{n})" for n in ("easy", "snug", "press") if n not in kept.read_mm]
    rest += [] if photographed else ["the photo (--photo)"]
    return [f"still to be read: {', '.join(rest)}"] if rest else []
