"""The overlay: a photo with everything that was measured in it, for the maker to judge.

Drawn are the scale cards with their residuals, the region of stated accuracy, each tool's edge as
the photo sees it (thin) and its outline as it stands on the sheet (thick), with number, name,
height and expected error. A footer says what is what.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.model.calibration import Calibration, CardFit
from tracer.model.outline import HeightSource, Outline
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.model.silhouette import Segmentation, Silhouette
from tracer.model.view import PlaneMap
from tracer.pictures.canvas import Canvas, shorten
from tracer.pictures.doubts import close_ups, doubtful_places, mark_place, mark_weak
from tracer.pictures.footer import Footer, draw_footer, footer_height
from tracer.pictures.frame import Frame
from tracer.pictures.labels import Occupancy, place
from tracer.pictures.palette import AMBER, CARD, INK, LEFT_OUT, MIST, PAPER, Colour, tint

__all__ = ["lay_box_px", "overlay_bytes", "overlay_pixels"]

Array = NDArray[np.float64]
LONG_SIDE_PX = 2400
MARGIN = 0.05  # round cards and tools, as a part of their longer side
SOFTEN = 0.25  # how far the photo's own colours are drawn back towards grey
BEYOND_MM = 100.0  # the stated accuracy holds so far outside the cards' hull
BEYOND_SHADE = 0.22
LENS_PX = 22.0  # radius of the mark where one more photo would help
ARROW_PX = 26.0  # length that a large residual is drawn with
EXAGGERATIONS = (1, 2, 5, 10, 20, 50, 100, 200)
NAME_LETTERS = 30


def overlay_bytes(
    photo: Photo,
    view: PlaneMap,
    segmentation: Segmentation,
    outlines: Sequence[Outline],
    calibration: Calibration,
    checks: Sequence[Check] = (),
) -> bytes:
    """The overlay as a JPEG file; arguments as `overlay_pixels`."""
    pixels = overlay_pixels(photo, view, segmentation, outlines, calibration, checks)
    return Canvas(pixels).jpeg()


def overlay_pixels(
    photo: Photo,
    view: PlaneMap,
    segmentation: Segmentation,
    outlines: Sequence[Outline],
    calibration: Calibration,
    checks: Sequence[Check] = (),
) -> NDArray[np.uint8]:
    """Draw the overlay of one photo.

    Parameters
    ----------
    photo, view
        The photo and its calibrated camera.
    segmentation
        What was found in this photo.
    outlines
        All outlines of the lay; those that this photo does not show are left out.
    calibration
        Cards, residuals and hull of the lay.
    checks
        Findings about the lay: the places in doubt are ringed, and the worst of them shown larger
        below; an arrow shows from where one more photo would help most.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8, RGB, 2400 px on the longer side of the lay, and a footer.
    """
    x0, y0, x1, y1 = lay_box_px(photo.size_px, view, outlines, calibration)
    width, height = x1 - x0, y1 - y0
    scale = LONG_SIDE_PX / max(width, height)
    frame = Frame(view, scale, (x0, y0))
    size = round(width * scale), round(height * scale)
    small = cv2.resize(
        photo.pixels[y0:y1, x0:x1],
        size,
        interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
    )
    grey = cv2.cvtColor(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    canvas = Canvas(np.asarray(cv2.addWeighted(small, 1 - SOFTEN, grey, SOFTEN, 0.0), np.uint8))
    _trust(canvas, frame, calibration)
    for region in segmentation.beyond_mm:
        _not_searched(canvas, frame, region)
    shown = [o for o in outlines if _in_sight(frame, o, canvas.size_px)]
    for silhouette in segmentation.silhouettes:
        _seen(canvas, frame, silhouette)
    for index, outline in enumerate(shown):
        _outline(canvas, frame, outline, tint(index))
    factor = _exaggeration(calibration, photo.photo_id, scale)
    for card in calibration.cards:
        _card(canvas, frame, card, photo.photo_id, factor)
    for silhouette in segmentation.silhouettes:
        mark_weak(canvas, frame, silhouette)
    places = doubtful_places([*segmentation.checks, *checks], outlines)
    for one in places:
        mark_place(canvas, frame, one)
    for check in checks:
        if check.slug == "further-photo" and check.where_mm is not None:
            helped = [o.region for o in shown if o.outline_id == check.subject_id]
            _next_photo(canvas, frame, check.where_mm, helped or [calibration.hull_mm])
    _labels(canvas, frame, shown, calibration)
    footer = Footer(
        photo_name=photo.name,
        view=view,
        tools=len(shown),
        cards=sum(photo.photo_id in c.corners_px for c in calibration.cards),
        left_out=tuple(c.number for c in calibration.cards if not c.used),
        outlines=tuple(shown),
        exaggeration=factor,
        px_per_mm=_scale_at_middle(frame, canvas.size_px),
    )
    strip = Canvas(np.full((footer_height(size[0]), size[0], 3), PAPER, np.uint8))
    draw_footer(strip, footer)
    larger = close_ups(photo, view, places, segmentation.silhouettes, shown, size[0])
    return np.vstack([canvas.pixels, larger, strip.pixels])


def lay_box_px(
    size_px: tuple[int, int], view: PlaneMap, outlines: Sequence[Outline], calibration: Calibration
) -> tuple[int, int, int, int]:
    """Left, upper, right and lower side (px, the last two not included) of what the overlay shows.

    That is the lay, not the bench: cards and tools, and a margin for labels.
    """
    frame = Frame(view, 1.0)
    rings = [frame.ring(card.board_mm.exterior) for card in calibration.cards]
    rings += [frame.ring(o.region.exterior) for o in outlines if _in_sight(frame, o, size_px)]
    points = np.vstack([np.empty((0, 2)), *rings])
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        return 0, 0, *size_px
    low, high = points.min(axis=0), points.max(axis=0)
    margin = MARGIN * float((high - low).max())
    x0, y0 = np.clip(np.floor(low - margin), 0, np.array(size_px) - 1).astype(int)
    x1, y1 = np.clip(np.ceil(high + margin) + 1, (x0 + 1, y0 + 1), size_px).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _in_sight(frame: Frame, outline: Outline, size_px: tuple[int, int]) -> bool:
    ring = frame.ring(outline.region.exterior)
    inside = (ring >= 0).all(axis=1) & (ring < size_px).all(axis=1)
    return bool(inside.any())


def _trust(canvas: Canvas, frame: Frame, calibration: Calibration) -> None:
    """Shade what lies beyond the stated accuracy; dash the cards' hull."""
    hull = calibration.hull_mm
    if hull.is_empty or not isinstance(hull, Polygon):
        return
    width, height = canvas.size_px
    rim = np.array([[-2, -2], [width + 2, -2], [width + 2, height + 2], [-2, height + 2.0]])
    reach = frame.ring(hull.buffer(BEYOND_MM).exterior)
    if np.isfinite(reach).all():
        canvas.wash([rim, reach], (30, 34, 38), BEYOND_SHADE)
    canvas.dashes(frame.ring(hull.exterior), MIST, 2, dash_px=4, gap_px=12, closed=True)


def _not_searched(canvas: Canvas, frame: Frame, region: Polygon) -> None:
    """Shade what lies past the sheet's edge, and draw the edge."""
    rings = [frame.ring(r) for r in (region.exterior, *region.interiors)]
    if all(np.isfinite(ring).all() for ring in rings):
        canvas.wash(rings, LEFT_OUT, BEYOND_SHADE)  # a sheet in the middle stays clear
        for ring in rings:
            canvas.line(ring, LEFT_OUT, 2, closed=True)


def _seen(canvas: Canvas, frame: Frame, silhouette: Silhouette) -> None:
    for ring in (silhouette.region.exterior, *silhouette.region.interiors):
        canvas.line(frame.ring(ring), MIST, 1, closed=True)


def _outline(canvas: Canvas, frame: Frame, outline: Outline, colour: Colour) -> None:
    rings = [frame.ring(r) for r in (outline.region.exterior, *outline.region.interiors)]
    canvas.wash(rings, colour, 0.16)
    for ring in rings:
        canvas.line(ring, colour, 3, closed=True)


def _next_photo(
    canvas: Canvas, frame: Frame, where_mm: tuple[float, float], helped: Sequence[Polygon]
) -> None:
    """An arrow from the tool that gains most to where the camera should hang, and a lens there.

    A place out of the picture is pointed at from its rim.
    """
    middle = helped[0].centroid
    start, end = frame.px(np.array([(middle.x, middle.y), where_mm]))
    if not np.isfinite([start, end]).all():
        return
    way = end - start
    room = np.array(canvas.size_px) - LENS_PX
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(way > 0, (room - start) / way, (LENS_PX - start) / way)
    end = start + way * float(np.clip(np.nanmin(np.where(way == 0, 1.0, share)), 0.0, 1.0))
    canvas.arrow(start, end, AMBER, 5)
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    for radius in (LENS_PX, LENS_PX / 2):
        ring = end + radius * np.column_stack([np.cos(turn), np.sin(turn)])
        canvas.line(ring, AMBER, 3, closed=True)


def _exaggeration(calibration: Calibration, photo_id: str, scale: float) -> int:
    """Factor that makes this photo's large residuals a visible length."""
    found = [c.residuals_px[photo_id] for c in calibration.cards if photo_id in c.residuals_px]
    lengths = np.concatenate([np.linalg.norm(r, axis=1) for r in found if len(r)] or [[]])
    large = float(np.percentile(lengths, 90)) * scale if len(lengths) else 0.0
    if not large > 0:
        return EXAGGERATIONS[0]
    return max((e for e in EXAGGERATIONS if e * large <= ARROW_PX), default=EXAGGERATIONS[0])


def _card(canvas: Canvas, frame: Frame, card: CardFit, photo_id: str, factor: int) -> None:
    if photo_id not in card.corners_px:
        return
    colour = CARD if card.used else LEFT_OUT
    ring = frame.ring(card.board_mm.exterior)
    canvas.wash([ring], colour, 0.25)
    canvas.line(ring, colour, 2, closed=True)
    corners = frame.photo(card.corners_px[photo_id])
    for corner, residual in zip(corners, card.residuals_px[photo_id], strict=False):
        canvas.dot(corner, 2.0, colour)
        canvas.arrow(corner, corner + residual * frame.scale * factor, AMBER, 2)
    text = f"card {card.number}" if card.used else f"card {card.number} left out"
    width, height = canvas.text_size(text, 20)
    middle = ring[np.isfinite(ring).all(axis=1)].mean(axis=0)
    at = (float(middle[0]) - width / 2, float(middle[1]) - height / 2)
    canvas.plate((at[0] - 8, at[1] - 3, at[0] + width + 8, at[1] + height + 4))
    canvas.text(at, text, 20, INK if card.used else LEFT_OUT)


def _labels(
    canvas: Canvas, frame: Frame, outlines: Sequence[Outline], calibration: Calibration
) -> None:
    taken = Occupancy(canvas.size_px)
    for card in calibration.cards:
        taken.add(frame.ring(card.board_mm.exterior))
    for outline in outlines:
        taken.add(frame.ring(outline.region.exterior))
    for index, outline in enumerate(outlines):
        ring = frame.ring(outline.region.exterior)
        anchor = frame.px(shapely.get_coordinates(outline.region.representative_point()))[0]
        name = shorten(outline.name, NAME_LETTERS)
        first = "" if name == outline.outline_id else name
        second, colour = _details(outline)
        _label(
            canvas, taken, (ring, anchor), (outline.outline_id, first, second), tint(index), colour
        )


def _details(outline: Outline) -> tuple[str, Colour]:
    """Second line of a label, and its colour."""
    error = f"± {outline.sigma_mm:.1f} mm"
    if outline.cut_by_frame:
        return f"cut by the picture's edge, {error}", LEFT_OUT
    if outline.height_source is HeightSource.ASSUMED:
        return f"height not known, {error}", LEFT_OUT
    source = "" if outline.height_source is HeightSource.TYPED else f" ({outline.height_source})"
    height = f"{outline.height_mm:.1f}".removesuffix(".0")  # more digits than that nobody measures
    return f"{height} mm high{source}, {error}", INK


def _label(
    canvas: Canvas,
    taken: Occupancy,
    where: tuple[Array, Array],
    texts: tuple[str, str, str],
    colour: Colour,
    second_colour: Colour,
) -> None:
    """A plate with the number on the tool's tint, the name beside it, details below."""
    ring, anchor = where
    number, name, details = texts
    number_width, line = canvas.text_size(number, 24)
    name_width = canvas.text_size(name, 22)[0] if name else 0
    details_width, small = canvas.text_size(details, 18)
    width = max(number_width + 16 + (name_width + 16 if name else 0), details_width + 20)
    height = line + small + 14
    tag = number_width + 16, line + 6
    x, y, crowded = place(taken, ring, anchor, (width, height), tag)
    if crowded:  # the number alone: name and height stand in the list
        width, height = tag
    middle = np.array([x + width / 2, y + height / 2])
    if not (x <= anchor[0] <= x + width and y <= anchor[1] <= y + height):
        inside = ring[np.isfinite(ring).all(axis=1)]
        target = inside[np.argmin(np.linalg.norm(inside - middle, axis=1))]
        start = np.clip(target, [x, y], [x + width, y + height])
        canvas.line(np.stack([start, target]), colour, 2)
    canvas.plate((x, y, x + width, y + height))
    canvas.plate((x, y, x + tag[0], y + tag[1]), colour, 1.0)
    canvas.text((x + 8, y + 3), number, 24)
    if crowded:
        return
    if name:
        canvas.text((x + number_width + 24, y + 4), name, 22)
    canvas.text((x + 10, y + line + 9), details, 18, second_colour)


def _scale_at_middle(frame: Frame, size_px: tuple[int, int]) -> float:
    """Canvas pixels per mm on the sheet at the middle of the picture."""
    middle = np.array([[size_px[0] / 2, size_px[1] / 2]]) / frame.scale + frame.corner_px
    return float(frame.scale / frame.view.mm_per_px(frame.view.to_sheet(middle))[0])
