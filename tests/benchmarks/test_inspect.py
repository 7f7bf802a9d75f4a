"""What several runs of the benchmark wrote adds up to what one would have printed."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from scipy.stats import binomtest

from tests.benchmarks.inspect import PhotoRow, PocketRow, added, for_docs, summary, tables


def rows() -> list[PhotoRow]:
    pockets = (
        PocketRow("present", "present", 0.99, 1.0, 1.0, 0.97),
        PocketRow("missing", "missing", 0.98, 1.0, 1.0, 0.0),
        PocketRow("missing", "present", 0.81, 1.0, 0.4, 0.0),
    )
    one = PhotoRow(
        0, "wall", "grey on yellow", "flash", 12.0, 900.0, ("rag",), "drawing", 0.8, 0.7, 2.0,
        pockets,
    )  # fmt: skip
    lost = replace(one, number=1, error_mm=None, pockets=())
    return [one, lost, replace(one, number=2, error_mm=1.4)]


def test_runs_add_up(tmp_path: Path) -> None:
    files = []
    for name, part in (("a.json", rows()[:2]), ("b.json", rows()[2:])):
        (tmp_path / name).write_text(json.dumps([asdict(r) for r in part]), "utf-8")
        files.append(tmp_path / name)
    assert added(files) == rows()
    assert tables(added(files)) == tables(rows())
    # a pocket that was hardly seen counts for what is called present, and for nothing else
    figures = summary(added(files))
    assert figures["missing called present"].startswith("2 of 4")
    assert figures["pockets right"] == "100.0 % (4 of 4)"
    assert figures["photos registered"] == "66.7 % (2 of 3)"


def test_a_photo_counts_once(tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    file.write_text(json.dumps([asdict(r) for r in rows()]), "utf-8")
    with pytest.raises(ValueError, match="3 photos"):
        added([file, file])


def test_the_documents_table_gives_intervals() -> None:
    """Clopper and Pearson's for 2 of 3 photos, by scipy's exact test of a binomial share."""
    text = for_docs(rows())
    low, high = binomtest(2, 3).proportion_ci(0.95, method="exact")
    between = f"({100 * low:.1f} to {100 * high:.1f})"
    assert f"| photos registered | 2 of 3, 66.7 % {between} |" in text
    assert "| flash | 66.7 % (2 of 3) | 100.0 % (4 of 4) | 0.0 % (0 of 4) | 2 of 4 |" in text
