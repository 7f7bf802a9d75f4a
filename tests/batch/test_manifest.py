"""What a manifest or a folder asks for, and how each slip in it is told."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.batch.manifest import read_orders
from tracer.batch.order import LayOrder, LayRow, State
from tracer.batch.table import COLUMNS, table_csv
from tracer.errors import TracerError


def manifest(folder: Path, text: str, encoding: str = "utf-8") -> str:
    path = folder / "lays.csv"
    path.write_bytes(text.encode(encoding))
    return str(path)


def test_a_row_is_a_lay_with_addresses_from_the_manifests_folder(tmp_path: Path) -> None:
    (entry,) = read_orders(
        manifest(
            tmp_path,
            "lay,photos,tools,card_size,machine,note\n"
            'Truing bench,one.jpg|s3://shop/two.jpg,list.csv,168.2x112.1,router,"a, b"\n',
        )
    )
    assert entry == LayOrder(
        name="Truing bench",
        photos=(str(tmp_path / "one.jpg"), "s3://shop/two.jpg"),
        tools=str(tmp_path / "list.csv"),
        card_size="168.2x112.1",
        machine="router",
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_spreadsheet_habits(tmp_path: Path, encoding: str, delimiter: str) -> None:
    lines = [["lay", "photos", ""], ["Zentrierständer", "a.jpg", ""], ["", "", ""]]
    text = "\r\n".join(delimiter.join(line) for line in lines)
    (entry,) = read_orders(manifest(tmp_path, text, encoding))
    assert entry.name == "Zentrierständer"


def test_patterns_name_photos_in_order(tmp_path: Path) -> None:
    for name in ("b.jpg", "a.jpg"):
        (tmp_path / name).touch()
    (entry,) = read_orders(manifest(tmp_path, "lay,photos\nx,*.jpg\n"))
    assert isinstance(entry, LayOrder)
    assert [Path(p).name for p in entry.photos] == ["a.jpg", "b.jpg"]


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("x,", "line 2 of lays.csv names no photos"),
        (",a.jpg", "line 2 of lays.csv names no lay"),
        ("x," + "|".join(f"{k}.jpg" for k in range(9)), "names 9 photos"),
        ("a/b,a.jpg", "holds a path"),
        ("con,a.jpg", "cannot be the name of a job folder"),
        ("x,a.jpg,1,2,3", "has 5 cells for 2 columns"),
        ("x," + "a" * 3000, "has 3000 characters"),
    ],
)
def test_a_row_without_sense_is_a_failed_row_and_the_others_go_on(
    tmp_path: Path, row: str, told: str
) -> None:
    entries = read_orders(manifest(tmp_path, f"lay,photos\n{row}\ngood,b.jpg\n"))
    bad, good = entries
    assert isinstance(bad, LayRow) and bad.state is State.FAILED
    assert told in bad.sentence
    assert isinstance(good, LayOrder)


def test_lays_of_one_folder_are_all_refused_on_any_system(tmp_path: Path) -> None:
    entries = read_orders(manifest(tmp_path, "lay,photos\nBench,a.jpg\nbench,b.jpg\nc,c.jpg\n"))
    assert [isinstance(e, LayRow) for e in entries] == [True, True, False]
    assert all("2 lays are called" in e.sentence for e in entries if isinstance(e, LayRow))
    assert len({e.name for e in entries}) == 3  # a row of the table for each


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"lay,photos,speed\nx,a.jpg,3\n", "column 'speed'"),
        (b"lay,lay,photos\nx,y,a.jpg\n", "column 'lay' twice"),
        (b"name,photos\nx,a.jpg\n", "column 'name'"),
        (b"photos\na.jpg\n", "does not name the columns"),
        (b"lay,photos\nx,\xe4.jpg\n", "line 2 holds a letter that is not UTF-8"),
        (b'lay,photos\nx,"a.jpg', "line 2 is no line of a CSV file"),
        (b"lay,photos\nx," + b"a" * 200_000, "is no line of a CSV file"),
        (b"", "does not name the columns"),
    ],
)
def test_a_manifest_that_cannot_be_read_is_one_sentence(
    tmp_path: Path, data: bytes, told: str
) -> None:
    path = tmp_path / "lays.csv"
    path.write_bytes(data)
    with pytest.raises(TracerError, match="manifest") as error:
        read_orders(str(path))
    assert told in error.value.sentence


def test_subfolders_and_sets_of_photos(tmp_path: Path) -> None:
    for name in (
        "drawer/photo_2.jpg",
        "drawer/photo_1.jpg",
        "drawer/label_1.png",  # a drawing beside photos of a phone
        "drawer/tools.csv",
        "wall/a.png",
        "wall/panel.toml",
        "empty/readme.txt",
        "old.job/photos/x.jpg",
        "stand_1.jpg",
        "stand_2.jpg",
        "IMG_2041.jpg",
        "gap_1.jpg",
        "gap_3.jpg",
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    (tmp_path / "wall/lay.toml").write_text('card_size = "168x112"\nthickness = 30\n')
    orders = {e.name: e for e in read_orders(str(tmp_path)) if isinstance(e, LayOrder)}
    photos = {name: [Path(p).name for p in o.photos] for name, o in orders.items()}
    assert photos == {
        "drawer": ["photo_1.jpg", "photo_2.jpg"],
        "wall": ["a.png"],
        "stand": ["stand_1.jpg", "stand_2.jpg"],
        "IMG_2041": ["IMG_2041.jpg"],
        "gap_1": ["gap_1.jpg"],
        "gap_3": ["gap_3.jpg"],
    }
    assert orders["drawer"].tools == str(tmp_path / "drawer/tools.csv")
    assert orders["wall"].plan == str(tmp_path / "wall/panel.toml")
    assert (orders["wall"].card_size, orders["wall"].thickness) == ("168x112", "30")


@pytest.mark.parametrize("text", ["speed = 1\n", "card_size = [1]\n", "card_size = \n"])
def test_a_lays_own_settings_that_make_no_sense(tmp_path: Path, text: str) -> None:
    (tmp_path / "drawer").mkdir()
    (tmp_path / "drawer/a.jpg").touch()
    (tmp_path / "drawer/lay.toml").write_text(text)
    (entry,) = read_orders(str(tmp_path))
    assert isinstance(entry, LayRow) and "lay.toml" in entry.sentence


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(TracerError, match="no lay in"):
        read_orders(str(tmp_path))
    with pytest.raises(TracerError, match="nothing at"):
        read_orders(str(tmp_path / "missing.csv"))


@given(st.text(max_size=40), st.text(max_size=80))
def test_the_table_is_csv_by_rfc_4180_and_no_cell_calculates(name: str, sentence: str) -> None:
    # read back by Python's own csv reader, which keeps to RFC 4180 in strict mode
    data = table_csv([LayRow(name=name, state=State.FAILED, sentence=sentence)])
    text = data.decode("utf-8-sig")
    head, row = csv.reader(io.StringIO(text, newline=""), strict=True)
    assert tuple(head) == COLUMNS
    shown = row[COLUMNS.index("sentence")]
    assert shown.removeprefix("'") == sentence.removeprefix("'")
    assert shown[:1] not in set("=+-@\t") or not shown
