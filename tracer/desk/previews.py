"""Pictures of files as another program would see them: the file itself is read, not its source."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from io import BytesIO
from threading import Lock
from typing import Any

import numpy as np
import pypdfium2

from tracer.export.dxf.read import read_dxf

__all__ = ["PAGES_SHOWN", "dxf_preview", "pdf_page", "pdf_pages"]

PDFIUM = Lock()  # the library must not be entered by two threads at once
PAGES_SHOWN = 40
PAGE_PX = 1400  # longest side of a page's picture
#: strokes told apart in both light and dark rooms (drawn on white paper)
STROKES = ("#26302b", "#98352a", "#2f5d50", "#8a5a00", "#4a4a8c", "#7a3b6b")


def dxf_preview(data: bytes) -> bytes:
    """SVG of a DXF's curves, one colour per layer, with the layers' names below.

    Raises
    ------
    TracerError
        As `read_dxf`.
    """
    curves = read_dxf(data, 0.05, ours=True).curves
    points = np.vstack([c.points for c in curves]) if curves else np.zeros((2, 2))
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    width, height = max(x1 - x0, 1.0), max(y1 - y0, 1.0)
    pad = 0.03 * max(width, height)
    letter = 0.022 * max(width, height)
    layers = list(dict.fromkeys(c.layer for c in curves))
    colour = {name: STROKES[i % len(STROKES)] for i, name in enumerate(layers)}
    foot = letter * 1.5 * (len(layers) + 0.5)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x0 - pad:.2f} {-y1 - pad:.2f}'
        f' {width + 2 * pad:.2f} {height + 2 * pad + foot:.2f}" fill="none"'
        f' stroke-width="{0.0018 * max(width, height):.3f}">'
    ]
    for curve in curves:
        line = "L".join(f"{x:.2f} {-y:.2f}" for x, y in curve.points)
        end = "Z" if curve.closed else ""
        parts.append(f'<path stroke="{colour[curve.layer]}" d="M{line}{end}"/>')
    for i, name in enumerate(layers):
        y = -y0 + pad / 2 + letter * 1.5 * (i + 1)
        parts.append(
            f'<text x="{x0:.2f}" y="{y:.2f}" font-size="{letter:.2f}" stroke="none"'
            f' font-family="sans-serif" fill="{colour[name]}">{escape(name)}</text>'
        )
    return ("\n".join(parts) + "\n</svg>\n").encode()


def pdf_pages(data: bytes) -> int:
    """Number of pages; none where the file is damaged."""
    try:
        with _opened(data) as document:
            return len(document)
    except pypdfium2.PdfiumError:
        return 0


def pdf_page(data: bytes, number: int) -> bytes:
    """PNG of a page, 0 for the first.

    Raises
    ------
    IndexError
        Where there is no such page; a damaged file has none.
    """
    if not 0 <= number < pdf_pages(data):
        raise IndexError(number)
    with _opened(data) as document:
        if not 0 <= number < min(len(document), PAGES_SHOWN):
            raise IndexError(number)
        page = document[number]
        picture = page.render(scale=PAGE_PX / max(page.get_size())).to_pil()
        out = BytesIO()
        picture.convert("RGB").save(out, "PNG")
        return out.getvalue()


@contextmanager
def _opened(data: bytes) -> Iterator[Any]:
    with PDFIUM:
        document = pypdfium2.PdfDocument(data)  # type: ignore[no-untyped-call]
        try:
            yield document
        finally:
            document.close()  # type: ignore[no-untyped-call]
