"""A picture of a drawing as it will lie on the machine: foam, openings, lines by layer."""

from __future__ import annotations

import io

from PIL import Image, ImageDraw, ImageFont

from tracer.export.lettering import font_bytes
from tracer.export.palette import RGB, colour_table
from tracer.geometry.loops import drawn_size, flatten
from tracer.model.drawing import Drawing, Operation

__all__ = ["preview_png"]

_FOAM, _GROUND, _INK = (226, 228, 230), (255, 255, 255), (40, 44, 48)
_HOLE: RGB = (120, 126, 132)
_OPEN = {Operation.THROUGH, Operation.POCKET, Operation.WELL, Operation.NOTCH}
#: drawn twice as large and halved: smooth lines
_OVERSAMPLE = 2


def preview_png(
    drawing: Drawing,
    *,
    reference: Drawing | None = None,
    colours: dict[str, RGB] | None = None,
    longest_px: int = 1600,
) -> bytes:
    """PNG bytes.

    Parameters
    ----------
    reference
        Drawing of the same sheet whose outlines and labels are laid over.
    longest_px
        Longest side of the picture.
    """
    width, height = drawn_size(drawing)
    margin, legend = 12.0, 10.0
    layers = drawing.layers
    scale = longest_px / (max(width, height) + 2 * margin) * _OVERSAMPLE
    foot = (len(layers) * 22 + 34) * _OVERSAMPLE
    size = (
        round((width + 2 * margin) * scale),
        round((height + 2 * margin) * scale) + foot,
    )
    image = Image.new("RGB", size, _GROUND)
    draw = ImageDraw.Draw(image)

    def pixels(drawn: Drawing, i: int) -> list[tuple[float, float]]:
        points = flatten(drawn.paths[i].loop, 0.05)
        return [((x + margin) * scale, (height + margin - y) * scale) for x, y in points]

    table = colour_table(layers, colours)
    corner = [(margin * scale, (height + margin - drawing.size_mm[1]) * scale)]
    corner += [((margin + drawing.size_mm[0]) * scale, (height + margin) * scale)]
    draw.rectangle([corner[0], corner[1]], fill=_FOAM)
    # large openings first, so that what lies inside them stays visible
    for i in reversed(range(len(drawing.paths))):
        path = drawing.paths[i]
        if path.layer.operation in _OPEN:
            draw.polygon(pixels(drawing, i), fill=_FOAM if path.island else _HOLE)
    for i, path in enumerate(drawing.paths):
        outline = pixels(drawing, i)
        draw.line([*outline, outline[0]], fill=table[path.layer.name], width=3 * _OVERSAMPLE // 2)
    if reference is not None:
        order = sorted(range(len(reference.paths)), key=lambda i: reference.paths[i].island)
        for i in order:
            path = reference.paths[i]
            if path.layer.operation is Operation.OUTLINE:
                outline = pixels(reference, i)
                draw.line([*outline, outline[0]], fill=(250, 250, 250), width=_OVERSAMPLE)
            elif path.layer.operation is Operation.LABEL:
                draw.polygon(pixels(reference, i), fill=_HOLE if path.island else (255, 255, 255))
    font = ImageFont.truetype(io.BytesIO(font_bytes()), 14 * _OVERSAMPLE)
    top = size[1] - foot + 4 * _OVERSAMPLE
    head = f"{drawing.title}: {drawing.size_mm[0]:.0f} x {drawing.size_mm[1]:.0f} mm"
    draw.text((legend * _OVERSAMPLE, top), head, fill=_INK, font=font)
    for n, layer in enumerate(layers, 1):
        y = top + n * 22 * _OVERSAMPLE
        x = legend * _OVERSAMPLE
        box = [(x, y + 3 * _OVERSAMPLE), (x + 24 * _OVERSAMPLE, y + 15 * _OVERSAMPLE)]
        draw.rectangle(box, fill=table[layer.name])
        draw.text((x + 34 * _OVERSAMPLE, y), layer.name, fill=_INK, font=font)
    image = image.resize((size[0] // _OVERSAMPLE, size[1] // _OVERSAMPLE), Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()
