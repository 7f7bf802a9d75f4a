"""The read-back: what was drawn passes, and every kind of damage is found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.export.drawings import cut_drawing, reference_drawing
from tracer.errors import TracerError
from tracer.export.dxf.write import DxfOptions, DxfVersion, dxf_bytes
from tracer.export.svg.write import svg_bytes
from tracer.export.verify import verified_dxf, verified_svg, verify_dxf, verify_svg
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

Damage = Callable[[Drawing], Drawing]


def nudged(drawing: Drawing, change: Callable[[np.ndarray], None]) -> Drawing:
    """The drawing with one vertex table changed."""
    paths = list(drawing.paths)
    vertices = paths[2].loop.vertices.copy()
    change(vertices)
    paths[2] = replace(paths[2], loop=Loop(vertices))
    return replace(drawing, paths=tuple(paths))


def shift_a_vertex(v: np.ndarray) -> None:
    v[0, 0] += 0.05


def flip_a_bulge(v: np.ndarray) -> None:
    v[np.flatnonzero(v[:, 2])[0], 2] *= -1


def scale_all_bulges(v: np.ndarray) -> None:
    v[:, 2] *= 1.02


DAMAGES: dict[str, Damage] = {
    "vertex moved by 0.05 mm": lambda d: nudged(d, shift_a_vertex),
    "bulge with the wrong sign": lambda d: nudged(d, flip_a_bulge),
    "bulges scaled by 2 %": lambda d: nudged(d, scale_all_bulges),
    "curve missing": lambda d: replace(d, paths=d.paths[1:]),
    "curve doubled": lambda d: replace(d, paths=(*d.paths, d.paths[-1])),
    "order changed": lambda d: replace(d, paths=d.paths[::-1]),
    "other layer": lambda d: replace(
        d,
        paths=(replace(d.paths[0], layer=Layer(Operation.POCKET, 33.0)), *d.paths[1:]),
    ),
    "scaled by 0.1 %": lambda d: replace(
        d,
        paths=tuple(replace(p, loop=Loop(p.loop.vertices * [1.001, 1.001, 1])) for p in d.paths),
    ),
}


@pytest.mark.parametrize("version", DxfVersion)
def test_good_files_pass(version: DxfVersion) -> None:
    for drawing in (cut_drawing(), reference_drawing()):
        for straight in (False, True):
            options = DxfOptions(version=version, straight=straight)
            read = verify_dxf(verified_dxf(drawing, options), drawing, options)
            assert read.curves == len(drawing.paths)
            assert read.max_distance_mm <= 0.01
        assert verify_svg(verified_svg(drawing), drawing).max_distance_mm <= 0.01


@pytest.mark.parametrize("damage", DAMAGES, ids=str)
def test_damage_is_found(damage: str) -> None:
    drawing = cut_drawing()
    wrong = DAMAGES[damage](drawing)
    for version in DxfVersion:
        options = DxfOptions(version=version)
        with pytest.raises(TracerError) as caught:
            verify_dxf(dxf_bytes(wrong, options), drawing, options)
        assert caught.value.slug == "file-differs-from-drawing"
    with pytest.raises(TracerError):
        verify_svg(svg_bytes(wrong), drawing)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"$INSUNITS\n 70\n4", b"$INSUNITS\n 70\n1"),
        # group 70 of a polyline: 1 = closed (DXF reference, LWPOLYLINE)
        (b" 70\n1\n", b" 70\n0\n"),
        (b"sheet-edge", b"sheet_edge"),
    ],
)
def test_a_tampered_file_is_found(old: bytes, new: bytes) -> None:
    drawing = cut_drawing()
    data = dxf_bytes(drawing)
    assert old in data
    with pytest.raises(TracerError):
        verify_dxf(data.replace(old, new), drawing)


def test_half_a_file_is_found() -> None:
    data = dxf_bytes(cut_drawing())
    for part in (data[: len(data) // 2], data[:200], b"", b"hello"):
        with pytest.raises(TracerError):
            verify_dxf(part, cut_drawing())


def test_a_text_beside_the_curves_is_found() -> None:
    drawing = cut_drawing()
    data = svg_bytes(drawing).replace(b"</svg>", b"<text>T01</text></svg>")
    with pytest.raises(TracerError, match="more than curves"):
        verify_svg(data, drawing)


def test_an_svg_in_pixels_is_found() -> None:
    drawing = cut_drawing()
    with pytest.raises(TracerError):
        verify_svg(svg_bytes(drawing).replace(b'520mm"', b'520"'), drawing)


def test_circles_are_compared_as_circles() -> None:
    circle = CutPath(Loop.circle(30, 30, 20), Layer(Operation.THROUGH))
    chords = CutPath(
        Loop.polygon([(30 + 20 * np.cos(t), 30 + 20 * np.sin(t)) for t in np.arange(0, 6.28, 0.1)]),
        Layer(Operation.THROUGH),
    )
    drawing = Drawing("c", (60, 60), (circle,))
    with pytest.raises(TracerError):
        verify_dxf(dxf_bytes(replace(drawing, paths=(chords,))), drawing)
