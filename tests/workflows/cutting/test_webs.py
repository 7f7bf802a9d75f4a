"""Pockets that run into one another stop a cut; close ones are warned about."""

from __future__ import annotations

import pytest
from shapely.geometry import box

from tests.panel.pocket.test_clearance import outline
from tracer.export.machine.profiles import read_machine
from tracer.model.report import Severity
from tracer.workflows.cutting.cut import CutOptions, cut_lay

TOOL = box(0, 0, 120, 30)


@pytest.mark.parametrize(
    ("apart_mm", "severity"),
    [(-5.0, Severity.FAIL), (2.0, Severity.FAIL), (7.0, Severity.WARN), (25.0, None)],
)
def test_webs_between_pockets(apart_mm: float, severity: Severity | None) -> None:
    """Easy fit: each wall stands off by about 0.6 mm and what the edge's doubt asks for."""
    from dataclasses import replace

    from shapely import affinity

    first = outline(TOOL, 0.15)
    second = outline(affinity.translate(TOOL, 0, 30 + apart_mm), 0.15)
    second = replace(second, outline_id="T02", name="rule")
    options = CutOptions(machine=read_machine("router"), material="pe")
    done = cut_lay([first, second], options, name="bench")
    webs = [c for c in done.checks if c.slug == "web-too-thin"]
    assert [c.severity for c in webs] == ([] if severity is None else [severity])
    failed = any(name.endswith("CHECKS-FAILED.txt") for name in done.files)
    assert failed == (severity is Severity.FAIL)
    for check in webs:
        assert check.unit == "mm"
        assert check.value == pytest.approx(max(apart_mm - 1.7, 0.0), abs=1.2)
