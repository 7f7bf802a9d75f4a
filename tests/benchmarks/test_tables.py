"""The figures of a benchmark run, from records made by hand."""

from __future__ import annotations

import json

import pytest

from tests.benchmarks.spread import bootstrap, spread_lines
from tests.benchmarks.tables import differences, markdown, summary, table
from tests.benchmarks.usable import usable_lines, worst


def tool(height: float, mean: float) -> dict:
    distance = {"mean_mm": mean, "p95_mm": 3 * mean, "max_mm": 5 * mean, "signed_mm": -mean}
    return {
        "name": "spanner",
        "true_height_mm": height,
        "height_mm": height,
        "height_source": "typed",
        "distance": distance,
        "iou": 0.95,
        "sigma_mm": 0.4,
    }


def scene(name: str, tools: list[dict], **changes) -> dict:
    return {
        "scene": name,
        "expected": "ok",
        "counted": len(tools) + 1,
        "found": len(tools),
        "missed": ["hex key 3"],
        "merged": [],
        "invented": ["T09"],
        "outline_scale_error": 0.001,
        "camera_scale_error": -0.0002,
        "camera_rest_mm": 0.05,
        "time_ratio": 40.0,
        "cpu_ratio": 50.0,
        "peak_mb": 600.0,
        "seconds": 4.0,
        "steps": {"finding cards": 1.0},
        "verdict": "ok",
        "tools": tools,
        **changes,
    }


RECORDS = [
    scene("bench", [tool(10, 0.2), tool(20, 0.4), tool(60, 2.0)]),
    scene("empty", [], counted=0, missed=[], invented=[], outline_scale_error=None),
]


def test_summary_sorts_by_height_and_counts() -> None:
    total = summary(RECORDS)
    assert (total["counted"], total["found"], total["missed"], total["invented"]) == (4, 3, 1, 1)
    assert total["all"]["mean_mm"] == pytest.approx(0.4)
    assert total["low"] == {
        "tools": 2,
        "mean_mm": pytest.approx(0.3),
        "p95_mm": pytest.approx(0.9),
        "max_mm": pytest.approx(1.5),
        "signed_mm": pytest.approx(-0.3),
    }
    assert total["middle"]["mean_mm"] is None
    assert total["mean_within_sigma"] == pytest.approx(2 / 3)
    json.dumps(total, allow_nan=False)


def test_tables_hold_every_scene() -> None:
    total = summary(RECORDS)
    text = table(RECORDS, total)
    assert "hex key 3" in text
    assert "finding cards" in text
    for form in (text, markdown(RECORDS, total)):
        assert "bench" in form
        assert "empty" in form


def test_differences_of_two_runs() -> None:
    better = [scene("bench", [tool(10, 0.1)]), scene("new one", [tool(10, 0.1)])]
    runs = [{"scenes": r, "summary": summary(r)} for r in (RECORDS, better)]
    text = differences(*runs)
    assert "0.40>   0.10" in text
    assert "new" in text


def stated(mean: float, errors: list[float], high: float = 20.0, off: float = 1.0) -> dict:
    return tool(high, mean) | {
        "height_mm": high + off,
        "usable": mean < 1,
        "errors_in_sigmas": errors,
        "ring_sigma_mm": 0.5,
        "height_sigma_mm": 2.0,
    }


def test_coverage_counts_vertices_and_intervals_draw_whole_lays() -> None:
    """Two lays, one right and one wrong: drawn whole, the share within one sigma is 0, 50 or 100,
    and each extreme comes up in a quarter of the draws."""
    lays = [
        scene("right", [stated(0.2, [0.5, 0.9]), stated(0.3, [0.1, 0.2])]),
        scene("wrong", [stated(3.0, [1.5, 4.0]), stated(4.0, [2.5, 9.0], off=30.0)]),
    ]
    lines = spread_lines(lays)
    (one,) = [line for line in lines if "within 1 sigma" in line]
    assert one.split("%")[-1].split() == ["50", "(0", "to", "100)"]
    (high,) = [line for line in lines if line.startswith("height within")]
    assert high.split("%")[-1].split()[0] == "75"
    value, low, high_end = bootstrap(lays[:1] * 2, lambda some: len(some))
    assert (value, low, high_end) == (2, 2, 2)


def test_records_that_state_no_deviation_give_no_coverage() -> None:
    assert spread_lines(RECORDS) == []


def test_usable_outlines_are_counted_with_what_names_the_others() -> None:
    def judged(height: float, mean: float, *, named: bool) -> dict:
        own = {"mean_mm": mean, "p95_mm": 3 * mean, "max_mm": 5 * mean, "signed_mm": 0.0}
        usable = own["p95_mm"] <= 2 and own["max_mm"] <= 4
        return {**tool(height, mean), "own": own, "usable_alone": usable, "named": named}

    lays = [
        scene("a", [judged(10, 0.2, named=False), judged(60, 2.0, named=True)], missed=[]),
        scene("b", [judged(20, 0.3, named=True), judged(50, 0.9, named=False)]),
    ]
    text = "\n".join(usable_lines(lays))
    assert "usable as it is, all               2 of 4 = 50 %" in text
    assert "usable as it is, above 30 mm       0 of 2" in text
    assert "unusable that are named as in doubt 1 of 2" in text
    assert "usable that are named all the same  1 of 2" in text
    assert "lost   1 of 6" in text
    assert worst(lays, 1) == [("a", "spanner")]
    assert usable_lines(RECORDS) == []
