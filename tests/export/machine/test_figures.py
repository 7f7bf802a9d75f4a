"""Length, plunges and time of a cut, worked by hand; the preview picture."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.export.drawings import cut_drawing, reference_drawing
from tracer.export.drawing.palette import colour_table
from tracer.export.machine.figures import cut_figures
from tracer.export.machine.profiles import read_machine
from tracer.export.paper.preview import depth_colour, preview_png
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

SQUARE = CutPath(Loop.rectangle(30, 40, 100, 50), Layer(Operation.THROUGH))
POCKET = CutPath(Loop.rectangle(30, 40, 60, 60), Layer(Operation.POCKET, 12.0))
NOTE = CutPath(Loop.circle(5, 5, 3), Layer(Operation.OUTLINE))


def test_a_rectangle_worked_by_hand() -> None:
    machine = replace(
        read_machine("oscillating-knife"),
        feed_mm_min=600.0,
        rapid_mm_min=6000.0,
        pass_depth_mm=10.0,
        plunge_s=2.0,
    )
    figures = cut_figures(Drawing("", (200, 200), (NOTE, SQUARE)), machine, 30.0)
    # 300 mm round, 3 passes of 10 mm: 900 mm at 10 mm/s = 90 s; way there 50 mm at 100 mm/s =
    # 0.5 s; 3 plunges of 2 s
    assert figures.path_mm == pytest.approx(300)
    assert figures.cut_mm == pytest.approx(900)
    assert figures.rapid_mm == pytest.approx(50)
    assert figures.plunges == 3
    assert figures.seconds == pytest.approx(90 + 0.5 + 6)


def test_a_bit_clears_the_whole_pocket_and_a_knife_does_not() -> None:
    drawing = Drawing("", (200, 200), (POCKET,))
    router = cut_figures(drawing, read_machine("router"), 30.0)
    knife = cut_figures(drawing, read_machine("oscillating-knife"), 30.0)
    assert knife.cut_mm == pytest.approx(240)
    # 3600 mm^2 in lanes of half a 6 mm bit: 1200 mm more
    assert router.cut_mm == pytest.approx(240 + 1200)


def test_the_picture_shows_how_deep_each_opening_is() -> None:
    drawing = cut_drawing()
    picture = Image.open(io.BytesIO(preview_png(drawing, longest_px=800)))
    pixels = np.asarray(picture)
    scale = 800 / (520 + 24)
    # the sheet's upper edge: the first row of foam down the middle of the foam
    foam = np.all(pixels[:, round(512 * scale)] == (240, 240, 236), axis=1)
    top = int(foam.argmax())

    def at(x: float, y: float) -> tuple[int, ...]:
        return tuple(pixels[top + round((240 - y) * scale), round((x + 12) * scale)])

    # the socket's pocket, 20 mm deep, is centred at (380 - 90 + 140, 140 + 30); the ring's island
    # is foam; the spanner, in the lower left, goes right through
    assert at(430, 170) == depth_colour(Layer(Operation.POCKET, 20.0))
    assert at(310, 155) == (240, 240, 236)
    assert depth_colour(Layer(Operation.THROUGH)) in {at(x, y) for x in range(40, 300, 5)
                                                      for y in range(20, 120, 5)}  # fmt: skip
    assert preview_png(drawing) == preview_png(drawing)
    assert preview_png(drawing, reference=reference_drawing()) != preview_png(drawing)


def test_depths_are_told_apart_without_colour() -> None:
    """Lightness (Rec. 601 luma) falls with depth, the darkest of all right through."""
    layers = [Layer(Operation.POCKET, float(d)) for d in (2, 8, 14, 20, 26, 32, 38)]
    fills = np.array([depth_colour(x) for x in (*layers, Layer(Operation.THROUGH))])
    luma = fills @ (0.299, 0.587, 0.114)
    assert np.all(np.diff(luma) < -12)


def test_no_two_layers_share_a_colour() -> None:
    layers = [Layer(op) for op in Operation if not op.has_depth]
    layers += [Layer(op, d) for op in Operation if op.has_depth for d in (5.0, 12.0, 20.0, 30.0)]
    table = colour_table(layers)
    assert len(set(table.values())) == len(layers)
    # sRGB distance of at least 12 in some channel: to be told apart, and by importers exactly
    colours = np.array(list(table.values()))
    apart = np.abs(colours[:, None] - colours[None]).max(axis=2) + 255 * np.eye(len(colours))
    assert apart.min() >= 12
    assert colour_table(layers, {"through": (1, 2, 3)})["through"] == (1, 2, 3)
    assert math.isclose(len(table), len(layers))
