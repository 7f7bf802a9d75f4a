"""Reading what to do: a manifest in CSV, or a folder of lays.

A row that makes no sense becomes a failed row of the results with its sentence; the others go on.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path, PurePosixPath

from tracer.atomic import is_folder
from tracer.batch.order import LayOrder, LayRow, State
from tracer.batch.places import beside, is_remote, local_path, read_bytes, store_of
from tracer.errors import TracerError, UsageError
from tracer.loading import parse_toml
from tracer.project.store import job_path
from tracer.spelling import shown

__all__ = ["read_orders"]

#: as phones save them; the others count only in a folder that has none of these, since previews
#: and drawings lie beside photos
PHONE_ENDINGS = {".jpg", ".jpeg", ".heic", ".heif"}
OTHER_ENDINGS = {".png", ".tif", ".tiff", ".webp"}
MOST_LAYS, MOST_PHOTOS, MOST_CHARACTERS, MOST_BYTES = 100_000, 8, 2_000, 50_000_000
MOST_SETTINGS = 100_000
#: columns of a manifest, and keys of a lay's own ``lay.toml``
COLUMNS = ("lay", *(f.name for f in fields(LayOrder) if f.name != "name"))
_NOTE = "note"
_NUMBERED = re.compile(r"^(?P<stem>.+?)[-_ ](?P<number>[1-8])$")

Entries = list[LayOrder | LayRow]


def read_orders(source: str) -> Entries:
    """Orders of a manifest or a folder; in their places failed rows for those without sense.

    Parameters
    ----------
    source
        Address of a CSV file (columns `COLUMNS`, ``lay`` and ``photos`` needed; photos parted by
        ``|``, patterns allowed on this computer; addresses from the manifest's folder), or of a
        folder: each subfolder with photos is a lay, with its ``tools.csv``, ``panel.toml`` (the
        plan) and ``lay.toml`` (the other columns) if there; photos in the folder itself are lays,
        those named ``x_1``, ``x_2`` ... one together.

    Raises
    ------
    TracerError
        ``manifest-unreadable``, ``manifest-empty``, ``input-missing``.
    """
    if not is_remote(source) and is_folder(local_path(source)):
        entries = _of_folder(local_path(source))
    else:
        entries = _of_manifest(source)
    if not entries:
        raise TracerError(
            "manifest-empty",
            f"There is no lay in {source}.",
            "Put each lay's photos into a folder of its own, or name a manifest with the columns"
            " lay and photos.",
        )
    return _one_folder_each(entries)


def _refused(name: str, sentence: str, remedy: str = "", slug: str = "lay-refused") -> LayRow:
    return LayRow(name=name, state=State.FAILED, sentence=f"{sentence} {remedy}".strip(), slug=slug)


# -- manifest ---------------------------------------------------------------------------------
def _of_manifest(source: str) -> Entries:
    text = _text(read_bytes(source), source)
    head = text.partition("\n")[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    folder = source.rpartition("/")[0] if is_remote(source) else str(local_path(source).parent)
    entries: Entries = []
    try:
        columns = _columns(next(reader, []), source)
        for cells in reader:
            filled = [cell.strip() for cell in cells]
            if not any(filled) or filled[0].startswith("#"):
                continue
            if len(entries) >= MOST_LAYS:
                raise _unreadable(source, f"it names more than {MOST_LAYS} lays")
            place = f"line {reader.line_num} of {PurePosixPath(source).name}"
            entries.append(_entry(columns, filled, place, folder))
    except csv.Error as error:
        why = f"line {reader.line_num} is no line of a CSV file ({error})"
        raise _unreadable(source, why) from None
    return entries


def _entry(
    columns: Sequence[str], cells: Sequence[str], place: str, folder: str
) -> LayOrder | LayRow:
    if len(cells) > len(columns):
        why = f"{place} has {len(cells)} cells for {len(columns)} columns."
        return _refused(cells[0] or place, why)
    values = dict(zip(columns, cells, strict=False))
    try:
        return _order(values, place, folder)
    except TracerError as error:
        return _refused(values.get("lay") or place, error.sentence, error.remedy, error.slug)


def _text(data: bytes, source: str) -> str:
    """Unicode alone: of a list of thousands of lays nobody looks at every name for guesses."""
    if len(data) > MOST_BYTES:
        raise _unreadable(source, f"it has more than {MOST_BYTES / 1e6:.0f} MB")
    try:
        if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            return data.decode("utf-16")
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise _unreadable(source, f"line {line} holds a letter that is not UTF-8") from None


def _unreadable(source: str, why: str) -> TracerError:
    return TracerError(
        "manifest-unreadable",
        f"The manifest {source} cannot be read: {why}.",
        f"Save it as CSV in UTF-8 with the columns {', '.join(COLUMNS)}; lay and photos are"
        " needed.",
    )


def _columns(cells: Sequence[str], source: str) -> list[str]:
    columns = [cell.strip().lower() for cell in cells]
    unknown = [c for c in columns if c and c not in COLUMNS and not c.startswith(_NOTE)]
    if unknown:
        raise _unreadable(source, f"it has a column '{unknown[0]}' that means nothing here")
    doubled = [c for c, n in Counter(columns).items() if c and n > 1 and not c.startswith(_NOTE)]
    if doubled:
        raise _unreadable(source, f"it has the column '{doubled[0]}' twice")
    if not {"lay", "photos"} <= set(columns):
        raise _unreadable(source, "its first line does not name the columns lay and photos")
    return columns


def _order(values: Mapping[str, str], place: str, folder: str) -> LayOrder:
    """The order of one row.

    Raises
    ------
    UsageError
        With the row's place.
    """
    name = values.get("lay", "")
    long = [k for k, v in values.items() if len(v) > MOST_CHARACTERS and not k.startswith(_NOTE)]
    if long:
        raise UsageError(
            "lay-refused",
            f"{place}: {long[0]} has {len(values[long[0]])} characters; {MOST_CHARACTERS} are"
            " read.",
        )
    if not name:
        raise UsageError("lay-refused", f"{place} names no lay.", "Write a name under lay.")
    job_path(name)
    if Path(name).name != name:
        raise UsageError(
            "lay-refused", f"{place}: the lay's name '{name}' holds a path.", "Write a plain name."
        )
    photos = [
        address
        for text in values.get("photos", "").split("|")
        if text.strip()
        for address in _expanded(beside(folder, text.strip()))
    ]
    _refuse_photo_count(len(photos), place)
    own = {
        key: values[key]
        for key in COLUMNS
        if key not in ("lay", "photos") and values.get(key, "") != ""
    }
    for key in ("tools", "plan"):
        if key in own:
            own[key] = beside(folder, own[key])
    if own.get("machine", "").lower().endswith(".toml"):
        own["machine"] = beside(folder, own["machine"])
    return LayOrder(name=name, photos=tuple(photos), **own)


def _refuse_photo_count(count: int, place: str) -> None:
    if not 1 <= count <= MOST_PHOTOS:
        raise UsageError(
            "lay-refused",
            f"{place} names {count or 'no'} photos; a lay has 1 to {MOST_PHOTOS}.",
            "Part several photos by |.",
        )


def _expanded(address: str) -> list[str]:
    """A pattern's photos in the order of their names; anything else as it is."""
    if not any(sign in address for sign in "*?["):
        return [address]
    if is_remote(address):
        system, pattern = store_of(address)
        return [str(system.unstrip_protocol(found)) for found in sorted(system.glob(pattern))]
    path = local_path(address)
    if path.exists():
        return [address]
    return [str(found) for found in sorted(path.parent.glob(path.name))]


# -- folder -----------------------------------------------------------------------------------
def _of_folder(folder: Path) -> Entries:
    entries: Entries = []
    try:
        inside = sorted(folder.iterdir())
        for sub in (e for e in inside if e.is_dir() and not e.name.startswith(".")):
            photos = [] if sub.name.endswith(".job") else _photos(sorted(sub.iterdir()))
            if photos:
                entries.append(_entry_of_folder(sub, [str(p) for p in photos]))
        for name, of_lay in _sets(_photos(inside)):
            entries.append(_entry(("lay", "photos"), (name, "|".join(of_lay)), name, str(folder)))
    except OSError as error:
        raise TracerError(
            "input-unreadable",
            f"The folder {folder} cannot be read: {error.strerror or error}.",
            "Check the name and the rights.",
        ) from error
    return entries


def _photos(paths: Iterable[Path]) -> list[Path]:
    """The photos among the files of a folder."""
    files = [p for p in paths if p.is_file() and not p.name.startswith(".")]
    from_phone = [p for p in files if p.suffix.lower() in PHONE_ENDINGS]
    return from_phone or [p for p in files if p.suffix.lower() in OTHER_ENDINGS]


def _sets(paths: Sequence[Path]) -> list[tuple[str, list[str]]]:
    """Photos in one folder by lay: ``x_1``, ``x_2`` ... without a gap are one, others alone."""
    numbered: dict[str, dict[int, Path]] = {}
    for path in paths:
        found = _NUMBERED.match(path.stem)
        if found:
            numbered.setdefault(found["stem"], {})[int(found["number"])] = path
    sets = {
        stem: [of[k] for k in sorted(of)]
        for stem, of in numbered.items()
        if sorted(of) == list(range(1, len(of) + 1))
    }
    taken = {path for photos in sets.values() for path in photos}
    sets |= {path.stem: [path] for path in paths if path not in taken}
    return sorted((name, [str(p) for p in photos]) for name, photos in sets.items())


def _entry_of_folder(folder: Path, photos: Sequence[str]) -> LayOrder | LayRow:
    values = {"lay": folder.name}
    for key, name in (("tools", "tools.csv"), ("plan", "panel.toml")):
        if (folder / name).is_file():
            values[key] = name
    try:
        settings = folder / "lay.toml"
        if settings.is_file():
            values |= _settings(settings)
        if "photos" not in values:
            _refuse_photo_count(len(photos), f"the folder {folder.name}")
            values["photos"] = "|".join(photos)
        return _order(values, f"the folder {folder.name}", str(folder))
    except TracerError as error:
        return _refused(folder.name, error.sentence, error.remedy, error.slug)


def _settings(path: Path) -> dict[str, str]:
    """``lay.toml`` as the cells of a manifest's row."""
    read = parse_toml(read_bytes(str(path)), lambda why: _not_toml(path, why), MOST_SETTINGS)
    for key, value in read.items():
        if key not in COLUMNS or key == "lay":
            raise UsageError(
                "lay-refused",
                f"{path} has a key {shown(key)} that means nothing here.",
                f"Known are {', '.join(c for c in COLUMNS if c != 'lay')}.",
            )
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise UsageError("lay-refused", f"{path}: {key} must be a text or a number.")
    return {key: str(value) for key, value in read.items()}


def _not_toml(path: Path, why: str) -> TracerError:
    return UsageError("lay-refused", f"{path} cannot be read: {why}.")


# -- both -------------------------------------------------------------------------------------
def _one_folder_each(entries: Entries) -> Entries:
    """Refuse lays that would write one folder, on any system: none of them is preferred."""
    count = Counter(e.name.casefold() for e in entries if isinstance(e, LayOrder))
    checked: Entries = []
    for number, entry in enumerate(entries, start=1):
        lays = count[entry.name.casefold()]
        if isinstance(entry, LayOrder) and lays > 1:
            why = (
                f"{lays} lays are called {entry.name} and would write one folder {entry.name}.job."
            )
            # under a name of its own, so that the table has a row for each
            entry = _refused(
                f"{entry.name} ({number})", why, "Give each a name of its own.", "lay-name-twice"
            )
        checked.append(entry)
    return checked
