"""A picture of a drawing as it will lie on the machine: foam, openings, lines by layer."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping

from PIL import Image, ImageDraw, ImageFont

from tracer.export.drawing.lettering import font_bytes
from tracer.export.drawing.palette import RGB, colour_table
from tracer.geometry.loops import drawn_size, flatten
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

__all__ = ["preview_png"]

_FOAM, _GROUND, _INK = (226, 228, 230), (255, 255, 255), (40, 44, 48)
_PALE: RGB = (250, 250, 250)
_HOLE: RGB = (120, 126, 132)
_OPEN = {Operation.THROUGH, Operation.POCKET, Operation.WELL, Operation.NOTCH}
#: drawn twice as large and halved: smooth lines
_OVERSAMPLE = 2
_MARGIN_MM = 12.0
_ToPixels = Callable[[CutPath], list[tuple[float, float]]]


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
    longest_px
        Longest side of the drawing in the picture.
    """
    width, height = drawn_size(drawing)
    layers = drawing.layers
    scale = longest_px / (max(width, height) + 2 * _MARGIN_MM) * _OVERSAMPLE
    foot = (len(layers) * 22 + 34) * _OVERSAMPLE
    size = (
        round((width + 2 * _MARGIN_MM) * scale),
        round((height + 2 * _MARGIN_MM) * scale) + foot,
    )
    image = Image.new("RGB", size, _GROUND)
    table = colour_table(layers, colours)

    def pixels(path: CutPath) -> list[tuple[float, float]]:
        points = flatten(path.loop, 0.25 / scale)
        return [((x + _MARGIN_MM) * scale, (height + _MARGIN_MM - y) * scale) for x, y in points]

    _draw_sheet(image, drawing, pixels, table)
    if reference is not None:
        _draw_reference(image, reference, pixels)
    _draw_legend(image, drawing, table, size[1] - foot + 4 * _OVERSAMPLE)
    image = image.resize((size[0] // _OVERSAMPLE, size[1] // _OVERSAMPLE), Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()


def _draw_sheet(
    image: Image.Image, drawing: Drawing, pixels: _ToPixels, table: Mapping[str, RGB]
) -> None:
    draw = ImageDraw.Draw(image)
    width, height = drawing.size_mm
    sheet = CutPath(Loop.rectangle(0, 0, width, height), Layer(Operation.SHEET_EDGE))
    draw.polygon(pixels(sheet), fill=_FOAM)
    # large openings first, so that what lies inside them stays visible
    for path in reversed(drawing.paths):
        if path.layer.operation in _OPEN:
            draw.polygon(pixels(path), fill=_FOAM if path.island else _HOLE)
    for path in drawing.paths:
        outline = pixels(path)
        draw.line([*outline, outline[0]], fill=table[path.layer.name], width=3 * _OVERSAMPLE // 2)


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
        dark = ground.tobytes()[0] < 160
        image.paste(_PALE if dark else _INK, box, mask.crop(box))


def _draw_legend(image: Image.Image, drawing: Drawing, table: Mapping[str, RGB], top: int) -> None:
    draw = ImageDraw.Draw(image)
    font = ImageFont.truetype(io.BytesIO(font_bytes()), 14 * _OVERSAMPLE)
    left = 10 * _OVERSAMPLE
    head = f"{drawing.title}: {drawing.size_mm[0]:.0f} x {drawing.size_mm[1]:.0f} mm"
    draw.text((left, top), head, fill=_INK, font=font)
    for n, layer in enumerate(drawing.layers, 1):
        y = top + n * 22 * _OVERSAMPLE
        box = [(left, y + 3 * _OVERSAMPLE), (left + 24 * _OVERSAMPLE, y + 15 * _OVERSAMPLE)]
        draw.rectangle(box, fill=table[layer.name])
        draw.text((left + 34 * _OVERSAMPLE, y), layer.name, fill=_INK, font=font)
