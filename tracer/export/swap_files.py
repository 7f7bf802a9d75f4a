"""Files for changing one pocket in a panel that is cut already.

For the machine: the opening for the plug, the plug (or strips), and the new pocket. For the hand: a
1:1 paper template that registers on what is near, and half a page with the steps.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

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
from tracer.export.drawing.order import in_cutting_order
from tracer.export.dxf.write import DxfOptions
from tracer.export.machine.profiles import dxf_options
from tracer.export.paper.template import PrinterScale, template_pdf
from tracer.export.paper.verify_template import verify_template
from tracer.export.verify import verified_dxf, verified_svg
from tracer.geometry.loops import reversed_loop
from tracer.geometry.rings import polygons_in
from tracer.model.drawing import CutPath, Drawing, Layer, Operation
from tracer.model.machine import Machine

__all__ = ["CAUTIONS", "PatchCut", "PatchSheet", "patch_steps", "steps_pdf", "swap_files"]

TOLERANCE_MM = 0.05
_PIECE_RIM_MM = 10.0  # of new foam round a piece
AROUND_MM = 40.0  # template: how much of the neighbourhood is drawn to register on
_FONT = "DejaVuSans"


def _box(shapes: Sequence[BaseGeometry], around_mm: float) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = shapely.total_bounds([s for s in shapes if not s.is_empty]).tolist()
    return x0 - around_mm, y0 - around_mm, x1 + around_mm, y1 + around_mm


@dataclass(frozen=True, eq=False)
class PatchCut:
    """One region of a patch with its layer; ``piece``: it is cut from new foam, not the panel."""

    layer: Layer
    region: BaseGeometry
    piece: bool = False


@dataclass(frozen=True, eq=False)
class PatchSheet:
    """The finished piece that is patched, and two places by which the machine is set on it.

    Attributes
    ----------
    what
        Whose lower left corner is (0, 0) of the files: "the panel", "the sheet".
    size_mm
        Its width and height.
    marks
        Name and place of points that can be touched on it: extreme points of walls there are.
    """

    what: str
    size_mm: tuple[float, float]
    marks: tuple[tuple[str, tuple[float, float]], ...]

    def sentences(self) -> tuple[str, ...]:
        """How to set the machine up, for the page with the steps."""
        if self.what:
            lines = [
                f"(0, 0) of the files is the lower left corner of {self.what}, "
                f"{self.size_mm[0]:.1f} x {self.size_mm[1]:.1f} mm, seen from the front."
            ]
        else:
            lines = ["(0, 0) of the files is no corner: set the machine by these two places."]
        lines += [f"{name}: {x:.1f} to the right, {y:.1f} up." for name, (x, y) in self.marks]
        if len(self.marks) == 2:
            apart = math.dist(self.marks[0][1], self.marks[1][1])
            lines.append(f"These two are {apart:.1f} mm apart; check it before cutting.")
        return tuple(lines)


def _walls(region: BaseGeometry, layer: Layer, subject_id: str, inward_mm: float) -> list[CutPath]:
    """Walls of an opening (kerf inward) or, with a negative value, of a piece (kerf outward)."""
    paths = []
    for part in polygons_in(region):
        for loop, is_hole in region_loops(part, TOLERANCE_MM):
            line = reversed_loop(loop) if is_hole else loop
            line = compensated(line, -inward_mm if is_hole else inward_mm)
            line = reversed_loop(line) if is_hole else line
            paths.append(CutPath(line, layer, subject_id, island=is_hole))
    return paths


def _drawing(
    title: str,
    cuts: Sequence[PatchCut],
    subject_id: str,
    machine: Machine,
    size_mm: tuple[float, float],
) -> Drawing:
    """Cuts in the frame they come in; the rim of what they are cut into is not drawn."""
    note = kerf_note(machine)
    paths = [
        path
        for cut in cuts
        for path in _walls(
            cut.region,
            cut.layer,
            subject_id,
            -note.compensated_mm if cut.piece else note.compensated_mm,
        )
    ]
    return Drawing(
        title=title,
        size_mm=size_mm,
        paths=in_cutting_order(paths),
        kerf=note,
        tolerance_mm=TOLERANCE_MM,
    )


def _pieces(pieces: Sequence[Polygon], layer: Layer) -> tuple[list[PatchCut], tuple[float, float]]:
    """Pieces side by side from the lower left corner of new foam, and the foam they need."""
    spread = _spread(pieces)
    x0, y0, x1, y1 = spread.bounds
    moved = affinity.translate(spread, _PIECE_RIM_MM - x0, _PIECE_RIM_MM - y0)
    size = (x1 - x0 + 2 * _PIECE_RIM_MM, y1 - y0 + 2 * _PIECE_RIM_MM)
    return [PatchCut(layer, moved, piece=True)], size


def swap_files(
    subject_id: str,
    *,
    sheet: PatchSheet,
    opening: PatchCut | None,
    pieces: Sequence[Polygon],
    pocket: Sequence[PatchCut],
    insert: tuple[str, Polygon] | None,
    old: BaseGeometry,
    neighbours: Sequence[Polygon],
    machine: Machine,
    paper: str = "a4",
    printer: PrinterScale | None = None,
    words: Sequence[str] = (),
) -> dict[str, bytes]:
    """Cutting files and template of a patch, by name, each read back before it counts.

    Parameters
    ----------
    sheet
        What is patched; regions are in its frame.
    opening, pocket
        Cut into it: the opening for the plug, and the new pocket in its parts.
    pieces
        Plug or strips, cut from new foam.
    insert
        Contrast piece for the new floor: its sheet in words, and its region.
    old, neighbours
        What is there to register the template on.
    """
    dxf: DxfOptions = dxf_options(machine, None)
    files: dict[str, bytes] = {}
    jobs: list[tuple[str, str, Sequence[PatchCut], tuple[float, float]]] = []
    if opening is not None:
        jobs.append(("1-opening", "opening", [opening], sheet.size_mm))
    if pieces:
        jobs.append(("2-piece", "piece", *_pieces(pieces, Layer(Operation.INSERT))))
    if pocket:
        jobs.append(("3-pocket", "pocket", pocket, sheet.size_mm))
    if insert is not None:
        jobs.append(
            ("4-insert", f"floor insert, {insert[0]}",
             *_pieces([insert[1]], Layer(Operation.INSERT)))
        )  # fmt: skip
    for name, words_of, cuts, size in jobs:
        drawing = _drawing(f"{subject_id}, {words_of}", cuts, subject_id, machine, size)
        files[f"{name}.dxf"] = verified_dxf(drawing, dxf)
        files[f"{name}.svg"] = verified_svg(drawing, dict(machine.colours))
    into = [*([opening] if opening else []), *pocket]
    if not into:
        return files
    template_drawing = _template_drawing(subject_id, into, old, neighbours)
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
    subject_id: str, cuts: Sequence[PatchCut], old: BaseGeometry, neighbours: Sequence[Polygon]
) -> Drawing:
    """Cut lines with the old pocket and its neighbours drawn to register on."""
    wanted = [*(c.region for c in cuts), *([] if old.is_empty else [old])]
    x0, y0, x1, y1 = _box(wanted, AROUND_MM)
    window = shapely.box(x0, y0, x1, y1)
    near = [n for n in neighbours if n.intersects(window)]
    if near:  # whole neighbours: their corners are what one lays the paper by
        nearest = sorted(near, key=lambda n: n.distance(shapely.union_all(wanted)))[:2]
        x0, y0, x1, y1 = _box([*wanted, *nearest], 10.0)
    size = (x1 - x0, y1 - y0)
    outline = Layer(Operation.OUTLINE)
    paths: list[CutPath] = []
    for cut in cuts:
        paths += _walls(affinity.translate(cut.region, -x0, -y0), cut.layer, subject_id, 0.0)
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


def patch_steps(
    remedy: str,
    name: str,
    pieces: int,
    foam: str,
    insert: str,
    *,
    comes_new: bool = False,
    goes: bool = False,
) -> tuple[str, ...]:
    """What to do, in order; the remedies are those of `tracer.panel.swap.old_pocket`.

    Parameters
    ----------
    foam
        What the piece is cut from, in words.
    insert
        The contrast piece's sheet in words; empty where there is none.
    comes_new, goes
        There is no old pocket; there is no new one.
    """
    one = "the strip" if remedy == "strip" else "the plug"
    plug = f"the {pieces} strips" if pieces > 1 else one
    there = "the pockets beside it" if comes_new else "the old pocket and its neighbours"
    lay = f"Lay the template on {there}; fix it so that it cannot creep."
    steps = {
        "nothing": [f"The pocket of {name} fits the new tool: nothing is cut."],
        "enlarge": [
            lay,
            "Cut the new outline; keep the blade square to the face.",
        ],
        "leave": [
            lay,
            "Cut away what the new outline asks for. The narrow gap that stays is harmless.",
        ],
        "strip": [
            f"Cut {plug} from {foam}.",
            "Glue into the old pocket's side, flush with the face; let the glue set fully.",
            "Lay the template on, fix it, and cut away what the new outline asks for.",
        ],
        "plug": [
            "Cut the opening (line 1) into the panel; keep the blade square to the face.",
            f"Cut {plug} from {foam}. It is a press fit.",
            "Glue it in, flush with the face; weight it flat and let the glue set fully.",
            "Lay the template on again, fix it, and cut the new pocket across plug and old foam.",
        ],
    }[remedy]
    if goes and remedy == "plug":
        del steps[-1]  # nothing is cut across the plug
    if insert and remedy != "nothing":
        steps.append(f"Cut the floor insert (4-insert) from {insert} and lay it in.")
    return tuple(steps)


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
