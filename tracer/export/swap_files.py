"""Files for changing one pocket in a panel that is cut already.

For the machine: the opening for the plug, the plug (or strips), and the new pocket. For the hand: a
1:1 paper template that registers on what is near, and half a page with the steps.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence

import shapely
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.export.drawing.cut_drawing import compensated, kerf_note
from tracer.export.drawing.draw import region_loops
from tracer.export.drawing.lettering import font_bytes
from tracer.export.dxf.write import DxfOptions
from tracer.export.machine.profiles import dxf_options
from tracer.export.paper.template import PrinterScale, template_pdf
from tracer.export.paper.verify_template import verify_template
from tracer.export.verify import verified_dxf, verified_svg
from tracer.geometry.rings import polygons_in
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation
from tracer.model.machine import Machine

__all__ = ["CAUTIONS", "patch_steps", "steps_pdf", "swap_files"]

TOLERANCE_MM = 0.05
AROUND_MM = 40.0  # template: how much of the neighbourhood is drawn to register on
_FONT = "DejaVuSans"


def _box(shapes: Sequence[BaseGeometry], around_mm: float) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = shapely.total_bounds([s for s in shapes if not s.is_empty]).tolist()
    return x0 - around_mm, y0 - around_mm, x1 + around_mm, y1 + around_mm


def _walls(region: BaseGeometry, layer: Layer, subject_id: str, inward_mm: float) -> list[CutPath]:
    """Walls of an opening (kerf inward) or, with a negative value, of a piece (kerf outward)."""
    paths = []
    for part in polygons_in(region):
        for loop, is_hole in region_loops(part, TOLERANCE_MM):
            line = loop if is_hole else compensated(loop, inward_mm)
            paths.append(CutPath(line, layer, subject_id, island=is_hole))
    return paths


def _drawing(
    title: str, region: BaseGeometry, layer: Layer, subject_id: str, machine: Machine, piece: bool
) -> Drawing:
    """One region by itself: openings in the panel's own frame moved to a small sheet."""
    note = kerf_note(machine)
    x0, y0, x1, y1 = _box([region], 10.0)
    moved = affinity.translate(region, -x0, -y0)
    inward = -note.compensated_mm if piece else note.compensated_mm
    size = (x1 - x0, y1 - y0)
    return Drawing(
        title=title,
        size_mm=size,
        paths=(
            *_walls(moved, layer, subject_id, inward),
            CutPath(Loop.rectangle(0, 0, *size), Layer(Operation.SHEET_EDGE)),
        ),
        kerf=note,
        origin_mm=(x0, y0),
        tolerance_mm=TOLERANCE_MM,
    )


def swap_files(
    subject_id: str,
    *,
    opening: BaseGeometry,
    pieces: Sequence[Polygon],
    recut: BaseGeometry,
    old: BaseGeometry,
    neighbours: Sequence[Polygon],
    depth_mm: float | None,
    machine: Machine,
    paper: str = "a4",
    printer: PrinterScale | None = None,
    words: Sequence[str] = (),
) -> dict[str, bytes]:
    """Cutting files and template of a patch, by name, each read back before it counts.

    Parameters
    ----------
    opening, recut
        Regions cut into the panel, in its frame.
    pieces
        Plug or strips, cut from new foam.
    old, neighbours
        What is there to register the template on.
    depth_mm
        Depth of the pocket; None: right through.
    """
    dxf: DxfOptions = dxf_options(machine, None)
    layer = Layer(Operation.THROUGH) if depth_mm is None else Layer(Operation.POCKET, depth_mm)
    files: dict[str, bytes] = {}
    for name, region, where, is_piece in (
        ("1-opening", opening, layer, False),
        ("2-piece", _spread(pieces), Layer(Operation.INSERT), True),
        ("3-pocket", recut, layer, False),
    ):
        if region.is_empty:
            continue
        drawing = _drawing(
            f"{subject_id}, {name[2:]}", region, where, subject_id, machine, is_piece
        )
        files[f"{name}.dxf"] = verified_dxf(drawing, dxf)
        files[f"{name}.svg"] = verified_svg(drawing, dict(machine.colours))
    if recut.is_empty and opening.is_empty:
        return files
    template_drawing = _template_drawing(subject_id, opening, recut, old, neighbours, layer)
    template = template_pdf(template_drawing, paper=paper, printer=printer, words=words)
    verify_template(template, template_drawing)
    files["template.pdf"] = template.data
    return files


def _spread(pieces: Sequence[Polygon]) -> BaseGeometry:
    """Pieces side by side, so that none lies over another."""
    placed: list[BaseGeometry] = []
    x = 0.0
    for piece in pieces:
        x0, y0, x1, _ = piece.bounds
        placed.append(affinity.translate(piece, x - x0, -y0))
        x += x1 - x0 + 10.0
    return shapely.union_all(placed) if placed else Polygon()


def _template_drawing(
    subject_id: str,
    opening: BaseGeometry,
    recut: BaseGeometry,
    old: BaseGeometry,
    neighbours: Sequence[Polygon],
    layer: Layer,
) -> Drawing:
    """Cut lines with the old pocket and its neighbours drawn to register on."""
    wanted = [s for s in (opening, recut, old) if not s.is_empty]
    x0, y0, x1, y1 = _box(wanted, AROUND_MM)
    window = shapely.box(x0, y0, x1, y1)
    near = [n for n in neighbours if n.intersects(window)]
    if near:  # whole neighbours: their corners are what one lays the paper by
        nearest = sorted(near, key=lambda n: n.distance(old))[:2]
        x0, y0, x1, y1 = _box([*wanted, *nearest], 10.0)
    size = (x1 - x0, y1 - y0)
    outline = Layer(Operation.OUTLINE)
    paths = [CutPath(Loop.rectangle(0, 0, *size), Layer(Operation.SHEET_EDGE))]
    for region in (opening, recut):
        paths += _walls(affinity.translate(region, -x0, -y0), layer, subject_id, 0.0)
    frame = shapely.box(x0, y0, x1, y1)
    for region in [old, *near]:
        kept = region.intersection(frame)
        paths += _walls(affinity.translate(kept, -x0, -y0), outline, "", 0.0)
    return Drawing(
        title=f"{subject_id}: template for the change",
        size_mm=size,
        paths=tuple(paths),
        origin_mm=(x0, y0),
        tolerance_mm=TOLERANCE_MM,
    )


def patch_steps(remedy: str, name: str, pieces: int) -> tuple[str, ...]:
    """What to do, in order; the remedies are those of `tracer.panel.swap.old_pocket`."""
    one = "the strip" if remedy == "strip" else "the plug"
    plug = f"the {pieces} strips" if pieces > 1 else one
    lay = "Lay the template on the old pocket and its neighbours; fix it so that it cannot creep."
    steps = {
        "nothing": (f"The pocket of {name} fits the new tool: nothing is cut.",),
        "enlarge": (
            lay,
            "Cut the new outline; keep the blade square to the face.",
        ),
        "leave": (
            lay,
            "Cut away what the new outline asks for. The narrow gap that stays is harmless.",
        ),
        "strip": (
            f"Cut {plug} from foam of the face's colour and thickness.",
            "Glue into the old pocket's side, flush with the face; let the glue set fully.",
            "Lay the template on, fix it, and cut away what the new outline asks for.",
        ),
        "plug": (
            "Cut the opening (line 1) into the panel; keep the blade square to the face.",
            f"Cut {plug} from foam of the face's colour and thickness. It is a press fit.",
            "Glue it in, flush with the face; weight it flat and let the glue set fully.",
            "Lay the template on again, fix it, and cut the new pocket across plug and old foam.",
            "Where a contrast piece lay in the pocket, cut one to the new outline and lay it in.",
        ),
    }
    return steps[remedy]


CAUTIONS = (
    "Blades: cut away from body and holding hand, fresh blade, cut-resistant glove on the holding"
    " hand; rest the knife closed.",
    "Glue: try it on a scrap of the same foam; ventilate, no flame or spark; the maker's data sheet"
    " comes first.",
    "Local rules and the makers' data sheets come before this page.",
)


def steps_pdf(title: str, lines: Sequence[str], steps: Sequence[str]) -> bytes:
    """Half a page: what changes, the steps, the cautions."""
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font_bytes())))
    stream = io.BytesIO()
    width, height = 210.0, 148.5  # half an A4 page
    canvas = Canvas(stream, pagesize=(width * mm, height * mm), invariant=1, pageCompression=1)
    canvas.setTitle(title)
    y = height - 16.0

    def write(text: str, size: float, indent: float = 0.0, mark: str = "") -> None:
        nonlocal y
        canvas.setFont(_FONT, size)
        for i, line in enumerate(textwrap.wrap(text, int(200 / size * 4.6 - indent)) or [""]):
            if mark and i == 0:
                canvas.drawString(15 * mm, y * mm, mark)
            canvas.drawString((15 + indent) * mm, y * mm, line)
            y -= size * 0.47
        y -= 1.0

    write(title, 13)
    for line in lines:
        write(line, 8.5)
    y -= 2
    for number, step in enumerate(steps, start=1):
        write(step, 9.5, 8, f"{number}.")
    y -= 2
    for caution in CAUTIONS:
        write(caution, 7.5, 4, "!")
    canvas.showPage()
    canvas.save()
    return stream.getvalue()
