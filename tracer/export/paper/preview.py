"""A picture of a sheet for people: depth by colour, title, scale bar, legend, numbers.

The machine gets hairlines; this is what a person compares them with. Deep places are dark, so
that the picture reads without colour too.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping

from PIL import Image, ImageDraw, ImageFont

from tracer.export.drawing.lettering import font_bytes
from tracer.export.drawing.palette import RGB, colour_table
from tracer.geometry.loops import drawn_size, flatten
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

__all__ = ["depth_colour", "preview_png"]

_FOAM, _GROUND, _INK = (240, 240, 236), (255, 255, 255), (32, 36, 40)
_PALE: RGB = (250, 250, 250)
_OPEN = {Operation.THROUGH, Operation.POCKET, Operation.WELL, Operation.NOTCH, Operation.FIXING}
_OPEN |= {Operation.BACK_CAVITY}
#: shallow to deep, dark at the end: told apart by lightness alone, so by every eye and printer
_SCALE: tuple[RGB, ...] = ((255, 226, 140), (246, 164, 96), (214, 90, 106), (124, 48, 128))
_THROUGH: RGB = (30, 24, 60)
#: depth at which the scale ends; deeper places have its last colour
_DEEPEST_MM = 40.0
#: drawn twice as large and halved: smooth lines
_OVERSAMPLE = 2
_MARGIN_MM = 12.0
#: heights of type and rows of the legend, pixels of the finished picture
_TYPE_PX, _ROW_PX, _HEAD_PX = 20, 30, 44
_BARS_MM = (200.0, 100.0, 50.0, 20.0)
_ToPixels = Callable[[CutPath], list[tuple[float, float]]]


def depth_colour(layer: Layer) -> RGB:
    """Fill of an opening: the darker the deeper, darkest right through.

    Examples
    --------
    >>> depth_colour(Layer(Operation.THROUGH)), depth_colour(Layer(Operation.POCKET, 0.0))
    ((30, 24, 60), (255, 226, 140))
    """
    if layer.depth_mm is None:
        return _THROUGH
    at = min(layer.depth_mm / _DEEPEST_MM, 1.0) * (len(_SCALE) - 1)
    k = min(int(at), len(_SCALE) - 2)
    low, high = _SCALE[k], _SCALE[k + 1]
    r, g, b = (round(a + (b - a) * (at - k)) for a, b in zip(low, high, strict=True))
    return r, g, b


def preview_png(
    drawing: Drawing,
    *,
    reference: Drawing | None = None,
    colours: Mapping[str, RGB] | None = None,
    longest_px: int = 1600,
) -> bytes:
    """PNG bytes.

    Parameters
    ----------
    reference
        Drawing of the same sheet whose outlines and labels are laid over.
    colours
        The shop's own colours of lines.
    longest_px
        Longest side of the drawing in the picture.
    """
    width, height = drawn_size(drawing)
    layers = drawing.layers
    scale = longest_px / (max(width, height) + 2 * _MARGIN_MM) * _OVERSAMPLE
    head = _HEAD_PX * 2 * _OVERSAMPLE
    foot = (len(layers) * _ROW_PX + 70) * _OVERSAMPLE
    wide = max(round((width + 2 * _MARGIN_MM) * scale), 900 * _OVERSAMPLE)
    tall = round((height + 2 * _MARGIN_MM) * scale)
    image = Image.new("RGB", (wide, head + tall + foot), _GROUND)
    table = colour_table(layers, colours)

    def pixels(path: CutPath) -> list[tuple[float, float]]:
        points = flatten(path.loop, 0.25 / scale)
        return [
            ((x + _MARGIN_MM) * scale, head + (height + _MARGIN_MM - y) * scale) for x, y in points
        ]

    _draw_head(image, drawing)
    _draw_sheet(image, drawing, pixels, table)
    if reference is not None:
        _draw_reference(image, reference, pixels)
    _draw_legend(image, drawing, table, head + tall, scale)
    smaller = (image.width // _OVERSAMPLE, image.height // _OVERSAMPLE)
    image = image.resize(smaller, Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()


def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(io.BytesIO(font_bytes()), size_px * _OVERSAMPLE)


def _draw_head(image: Image.Image, drawing: Drawing) -> None:
    draw = ImageDraw.Draw(image)
    left, top = 12 * _OVERSAMPLE, 10 * _OVERSAMPLE
    width, height = drawing.size_mm
    font = _font(_TYPE_PX + 4)
    title = drawing.title
    while title and draw.textlength(title, font) > image.width - 2 * left:
        title = title[:-2].rstrip() + "…" if not title.endswith("…") else title[:-3] + "…"
    draw.text((left, top), title, fill=_INK, font=font)
    line = f"{width:.1f} x {height:.1f} mm. {drawing.kerf.sentence()}"
    font = _font(_TYPE_PX - 4)
    while draw.textlength(line, font) > image.width - 2 * left:
        line = line[:-2]
    draw.text((left, top + 36 * _OVERSAMPLE), line, fill=_INK, font=font)


def _draw_sheet(
    image: Image.Image, drawing: Drawing, pixels: _ToPixels, table: Mapping[str, RGB]
) -> None:
    draw = ImageDraw.Draw(image)
    width, height = drawing.size_mm
    sheet = CutPath(Loop.rectangle(0, 0, width, height), Layer(Operation.SHEET_EDGE))
    draw.polygon(pixels(sheet), fill=_FOAM)
    # shallow openings first, so that the deeper one shows where two run into one another;
    # large ones before what lies inside them
    opened = [p for p in reversed(drawing.paths) if p.layer.operation in _OPEN]
    for path in sorted(opened, key=lambda p: (p.layer.depth_mm or math.inf, p.island)):
        draw.polygon(pixels(path), fill=_FOAM if path.island else depth_colour(path.layer))
    for path in drawing.paths:
        outline = pixels(path)
        draw.line([*outline, outline[0]], fill=table[path.layer.name], width=2 * _OVERSAMPLE)


def _draw_reference(image: Image.Image, reference: Drawing, pixels: _ToPixels) -> None:
    draw = ImageDraw.Draw(image)
    labels: dict[str, list[CutPath]] = {}
    for path in reference.paths:
        if path.layer.operation is Operation.OUTLINE:
            outline = pixels(path)
            draw.line([*outline, outline[0]], fill=_PALE, width=_OVERSAMPLE)
        elif path.layer.operation is Operation.LABEL:
            labels.setdefault(path.subject_id, []).append(path)
    for letters in labels.values():
        # counters of letters are cut out of a mask, so that what lies below shows through
        mask = Image.new("L", image.size, 0)
        brush = ImageDraw.Draw(mask)
        for path in sorted(letters, key=lambda path: path.island):
            brush.polygon(pixels(path), fill=0 if path.island else 255)
        box = mask.getbbox()
        if box is None:
            continue
        ground = image.crop(box).convert("L").resize((1, 1), Image.Resampling.BOX)
        dark = ground.tobytes()[0] < 140
        image.paste(_PALE if dark else _INK, box, mask.crop(box))


def _draw_legend(
    image: Image.Image, drawing: Drawing, table: Mapping[str, RGB], top: int, scale: float
) -> None:
    draw = ImageDraw.Draw(image)
    font = _font(_TYPE_PX)
    left = 12 * _OVERSAMPLE
    bar = next((mm for mm in _BARS_MM if mm <= 0.5 * drawing.size_mm[0]), _BARS_MM[-1])
    y = top + 22 * _OVERSAMPLE
    draw.line([(left, y), (left + bar * scale, y)], fill=_INK, width=3 * _OVERSAMPLE)
    for x in (left, left + bar * scale):
        draw.line([(x, y - 8 * _OVERSAMPLE), (x, y + 8 * _OVERSAMPLE)], _INK, 3 * _OVERSAMPLE)
    text = f"{bar:.0f} mm"
    draw.text((left + bar * scale + 12 * _OVERSAMPLE, y - 12 * _OVERSAMPLE), text, _INK, font)
    for n, layer in enumerate(drawing.layers, 1):
        y = top + 20 * _OVERSAMPLE + n * _ROW_PX * _OVERSAMPLE
        box = [(left, y), (left + 40 * _OVERSAMPLE, y + 20 * _OVERSAMPLE)]
        opened = layer.operation in _OPEN
        fill = depth_colour(layer) if opened else _FOAM
        draw.rectangle(box, fill, table[layer.name], 2 * _OVERSAMPLE)
        count = sum(p.layer == layer and not p.island for p in drawing.paths)
        words = _words(layer) + (f" ({count})" if opened or count > 1 else "")
        draw.text((left + 54 * _OVERSAMPLE, y - 3 * _OVERSAMPLE), words, _INK, font)


def _words(layer: Layer) -> str:
    """A layer as people say it, with its name in the files."""
    said = {
        Operation.THROUGH: "right through",
        Operation.SHEET_EDGE: "edge of the sheet",
        Operation.INSERT: "loose piece",
        Operation.INLAY: "piece of an emblem",
        Operation.FIXING: "hole for a screw or pin",
    }.get(layer.operation)
    if said is None and layer.depth_mm is not None:
        said = f"{layer.operation.value.replace('-', ' ')}, {layer.depth_mm:g} mm deep"
    return f"{said or layer.operation.value}: layer {layer.name}"
