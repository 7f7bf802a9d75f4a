"""What is scripted: the page's ten lines as they stand, then every function on what they gave."""

from __future__ import annotations

import doctest
import re
from dataclasses import FrozenInstanceError, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from ezdxf import recover

import tracer
from tracer.model.swap import Outcome

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs/how-to/script.md"
PHOTO = ROOT / "sample_images/drawer/photo_1.jpg"


@pytest.fixture(scope="module")
def page() -> dict[str, Any]:
    """Names that the page's lines leave behind; they are run as they stand."""
    (lines,) = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.S)
    names: dict[str, Any] = {}
    told: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(ROOT)
        example = doctest.DocTestParser().get_doctest(lines, names, PAGE.name, str(PAGE), 0)
        result = doctest.DocTestRunner().run(example, out=told.append, clear_globs=False)
    assert result.attempted >= 5
    assert not result.failed, "".join(told)
    return example.globs


def test_the_file_holds_one_closed_curve_a_pocket(page: dict[str, Any], tmp_path: Path) -> None:
    """Read by ezdxf, whose areas (bulges as arcs) are those of the pockets."""
    path = tmp_path / "drawer.dxf"
    path.write_bytes(page["dxf"])
    document, auditor = recover.readfile(path)
    assert not auditor.has_errors
    assert document.header["$INSUNITS"] == 4  # millimetres: DXF reference, header variables
    layers = {e.dxf.layer for e in document.modelspace() if e.dxftype() == "LWPOLYLINE"}
    assert layers
    curves = [e for e in document.modelspace() if e.dxftype() == "LWPOLYLINE" and e.closed]
    assert len(curves) >= len(page["done"].pockets)


def test_values_are_frozen_and_carry_units(page: dict[str, Any]) -> None:
    for value in (page["traced"], page["done"], page["traced"].outlines[0]):
        assert is_dataclass(value)
        with pytest.raises(FrozenInstanceError):
            setattr(value, fields(value)[0].name, None)
    outline = page["traced"].outlines[0]
    assert outline.sigma_ring_mm.shape == (len(outline.region.exterior.coords) - 1,)
    assert shapely.is_ccw(outline.region.exterior)


def test_arranged_and_cut_as_a_panel(page: dict[str, Any], capfd: pytest.CaptureFixture) -> None:
    told: list[tuple[str, float]] = []
    arranged = tracer.arrange(
        page["traced"], bay_mm=(600, 400), progress=lambda step, done: told.append((step, done))
    )
    assert arranged.panel.size_mm == (600.0, 400.0)
    assert {p.pocket_id for p in arranged.panel.pockets} == {
        o.outline_id for o in page["traced"].outlines
    }
    done = tracer.cut(arranged, "router", name="panel")
    assert any(name.endswith("job-sheet.pdf") for name in done.files)
    assert told[0] == ("panel", 0.0)
    assert all(0.0 <= part <= 1.0 for _, part in told)
    assert capfd.readouterr() == ("", "")
    with pytest.raises(tracer.TracerError, match="fit"):
        tracer.cut(arranged, "router", fit="snug")  # the panel's


def test_a_swap_changes_one_outline(page: dict[str, Any]) -> None:
    before = page["traced"]
    old = before.outlines[0]
    swapped = tracer.swap(before, old.outline_id, before, options=_at(old))
    assert [o.outline_id for o in swapped.outlines] == [o.outline_id for o in before.outlines]
    changed = [a is not b for a, b in zip(swapped.outlines, before.outlines, strict=True)]
    assert changed == [True] + [False] * (len(changed) - 1)
    # the same photo swapped in: the same tool, in the same place
    assert swapped.swapped.outcome is Outcome.STAYS
    assert np.allclose(swapped.outlines[0].region.bounds, old.region.bounds, atol=1e-6)


def _at(outline: tracer.Outline) -> tracer.SwapOptions:
    return tracer.SwapOptions(point_px=outline.point_px)


def test_check_takes_a_path_or_bytes(page: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "drawer.dxf"
    path.write_bytes(page["dxf"])
    by_path, by_bytes = tracer.check(path), tracer.check(page["dxf"])
    assert by_path.size_mm == by_bytes.size_mm
    assert len(by_path.closed) == len(by_bytes.closed) > 0


@pytest.mark.parametrize(
    "call",
    [
        lambda: tracer.trace([]),
        lambda: tracer.trace(7),
        lambda: tracer.trace({"photo": PHOTO}),
        lambda: tracer.trace([7]),
        lambda: tracer.trace("no such photo.jpg"),
        lambda: tracer.trace(b"no photo at all"),
        lambda: tracer.trace(PHOTO, "no such list.csv"),
        lambda: tracer.trace(PHOTO, [1, 2]),
        lambda: tracer.trace(PHOTO, options=tracer.TraceOptions(default_height_mm=float("nan"))),
        lambda: tracer.trace(PHOTO, options=tracer.TraceOptions(camera_height_mm=-1.0)),
        lambda: tracer.arrange(7),
        lambda: tracer.arrange([7]),
        lambda: tracer.arrange([], 7),
        lambda: tracer.arrange([], "no such plan.toml"),
        lambda: tracer.arrange([], bay_mm=(600,)),
        lambda: tracer.arrange([], bay_mm=(600, float("inf"))),
        lambda: tracer.arrange([], bay_mm=("wide", 400)),
        lambda: tracer.cut([], "router"),
        lambda: tracer.cut([], "no such machine"),
        lambda: tracer.cut([], "router", colour="red"),
        lambda: tracer.cut([], "router", fit="slack"),
        lambda: tracer.cut([], "router", thickness_mm=float("nan")),
        lambda: tracer.cut([], "router", thickness_mm="thick"),
        lambda: tracer.swap([], "T01", PHOTO),
        lambda: tracer.check(7),
        lambda: tracer.check("no such file.dxf"),
        lambda: tracer.check(b"%PDF-1.7"),
        lambda: tracer.check(b""),
        lambda: tracer.check(b"0\nSECTION", square_mm=0.0),
    ],
)
def test_bad_input_raises_one_kind_of_error(
    call: Any, capfd: pytest.CaptureFixture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(tracer.TracerError) as caught:
        call()
    assert caught.value.slug
    assert str(caught.value)
    assert capfd.readouterr() == ("", "")
    assert list(tmp_path.iterdir()) == []
