"""The pages on panels name every key and every rule, and their example is a valid plan."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

from tracer.model import panel_plan
from tracer.model.stack import Bay, Stock
from tracer.panel.pocket.fits import FITS
from tracer.panel.rules import TABLE
from tracer.project.plan_file import plan_from_toml
from tracer.workflows.arranging.drawn_shapes import drawn_shapes

DOCS = Path(__file__).parents[2] / "docs"
REFERENCE = (DOCS / "reference/panel-plan.md").read_text("utf-8")


def test_the_example_in_the_how_to_is_a_plan() -> None:
    text = (DOCS / "how-to/panel.md").read_text("utf-8")
    example = re.search(r"```toml\n(.*?)```", text, re.S)
    assert example is not None
    plan = plan_from_toml(example[1].encode(), "panel.md")
    assert plan.tools[0].wells[0].name == "knob" and plan.plain[0].powered


def test_the_example_beside_pockets_is_a_plan() -> None:
    text = (DOCS / "how-to/beside-pockets.md").read_text("utf-8")
    example = re.search(r"```toml\n(.*?)```", text, re.S)
    assert example is not None
    plan = plan_from_toml(example[1].encode(), "beside-pockets.md")
    assert [e.name for e in plan.emblems] == ["word", "wheel"] and plan.rail is not None
    assert plan.mounts[1].count == 3 and plan.cavities[0].pocket_id == "T03"


def test_the_wall_of_the_examples_is_a_plan_with_its_drawings() -> None:
    folder = DOCS / "examples/workshop-wall"
    plan = plan_from_toml((folder / "panel.toml").read_bytes(), "panel.toml")
    drawn = drawn_shapes(plan, [], lambda name: (folder / "drawings" / name).read_bytes())
    assert len(drawn.emblems[2].interiors) == 6  # five openings of the wheel, and its axle
    assert [round(h.diameter_mm, 2) for h in drawn.holes[1]] == [5, 5, 8]
    assert plan.cavities and plan.ledges and plan.rail is not None and plan.bay is not None


def test_the_reference_names_every_key() -> None:
    kinds = [getattr(panel_plan, n) for n in panel_plan.__all__ if n.endswith("Plan")]
    for kind in (*kinds, Bay, Stock):
        for field in fields(kind):
            assert field.name in REFERENCE, f"{kind.__name__}.{field.name}"


def test_the_reference_holds_every_rule_with_its_basis() -> None:
    for name, rule in TABLE.items():
        assert f"| `{name}` | {rule.wall:g} | {rule.drawer:g} | {rule.unit} | {rule.basis} |" in (
            REFERENCE
        )
    for fit, meant in FITS.items():
        line = f"| `{fit}` | {meant.gap_mm:+.1f} | {meant.allowed_mm + 0.2:+.1f} |"
        assert line.replace("-0.0", "+0.0") in REFERENCE
