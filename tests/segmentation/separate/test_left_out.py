"""Nothing is dropped without a word."""

from __future__ import annotations

import numpy as np

from tracer.model.report import Severity
from tracer.segmentation.separate.left_out import Reason, left_out_checks, things_in
from tracer.segmentation.working_picture.raster import Raster

RASTER = Raster(0.0, 199.0, 1.0, (200, 300))


def test_pieces_of_one_thing_are_told_once_and_on_it() -> None:
    cells = np.zeros(RASTER.shape, bool)
    cells[50:60, 40:80] = cells[50:60, 88:120] = True  # glare between
    cells[150:160, 250:260] = True
    near, far = things_in(cells, RASTER, Reason.UNSURE)
    assert near.size_mm == (80.0, 10.0)
    for thing in (near, far):
        col, row = RASTER.to_cells([thing.where_mm])[0].round().astype(int)
        assert cells[row, col]


def test_specks_are_told_of_no_more() -> None:
    cells = np.zeros(RASTER.shape, bool)
    cells[10:14, 10:14] = True
    assert things_in(cells, RASTER, Reason.SMALL, 25.0) == []


def test_a_finding_names_place_size_and_reason() -> None:
    cells = np.zeros(RASTER.shape, bool)
    cells[50:60, 40:80] = True
    things = [t for r in (Reason.UNSURE, Reason.SMALL) for t in things_in(cells, RASTER, r)]
    warned, noted = left_out_checks(things, "photo.jpg")
    assert (warned.slug, warned.severity) == ("something-left-out", Severity.WARN)
    assert (noted.slug, noted.severity) == ("small-thing-left-out", Severity.NOTE)
    assert "(59, 145) mm, about 40 x 10 mm" in warned.sentence
    assert "not sure enough" in warned.sentence
