"""One flatbed scan to its calibration: the public entry for scans.

A scan has no camera. Cards lie face down on the glass beside the parts, their print and the parts'
undersides in one plane, so the map is affine and holds for the whole glass.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.calibration.detect import Detection, detect_cards, grey_of
from tracer.calibration.markers import find_markers
from tracer.calibration.quality import TOLERATED, rigid_motions
from tracer.calibration.result import scale_sigma_of
from tracer.calibration.scan_findings import refuse_no_scan, scan_findings
from tracer.calibration.scan_fit import GlassCard, ScanFit, face_down_mm, fit_scan, map_of
from tracer.errors import TracerError
from tracer.model.calibration import Calibration, CardFit, SigmaMap
from tracer.model.card import CardSizes, polygon_mm
from tracer.model.photo import Photo
from tracer.model.scan_map import ScanMap

__all__ = ["calibrate_scan"]

Array = NDArray[np.float64]

NO_LENS_PX = 1e9  # focal length with which the search for cards looks for no lens
GRID = 9
_UNREADABLE = {"no-card", "photo-too-dark", "photo-blurred"}


def calibrate_scan(scan: Photo, *, card_sizes: CardSizes | None = None) -> Calibration:
    """Find the map from a scan to the glass, and how far to trust it.

    Parameters
    ----------
    scan
        The upright picture.
    card_sizes
        Measured sizes of the printed boards; the nominal size where nothing was typed. How far the
        print lies above the sheet does not count: it lies on the glass.

    Returns
    -------
    Calibration
        Its one view is a `ScanMap`; the sheet is the glass as seen from above, in the frame of the
        lowest-numbered card. ``hull_mm`` is the whole glass that the scan shows.

    Raises
    ------
    TracerError
        ``scan-without-card``, ``scan-card-cut``, ``scan-mirrored``, ``card-number-twice``, and
        those of `refuse_no_scan`.
    """
    sizes = card_sizes or CardSizes()
    detection = _detected(scan)
    seen = [detection.cards[k] for k in sorted(detection.cards)]
    at_origin = (0.0, 0.0, 0.0)
    cards = [
        GlassCard(
            card.number,
            face_down_mm(card.corners_card_mm, at_origin, sizes.of(card.number)),
            card.points_px,
        )
        for card in seen
    ]
    fit = fit_scan(cards)
    view = ScanMap(scan.photo_id, scan.size_px, fit.to_px)
    refuse_no_scan(scan, cards, fit, view)
    placed = tuple(
        CardFit(
            number=card.number,
            size_mm=sizes.of(card.number),
            placement=place,
            used=True,
            reason="",
            corners_px={scan.photo_id: card.points_px},
            residuals_px={scan.photo_id: residual},
            board_mm=polygon_mm(place, sizes.of(card.number), paper=False),
            paper_mm=polygon_mm(place, sizes.of(card.number), paper=True),
        )
        for card, place, residual in zip(cards, fit.places, fit.residuals_px, strict=True)
    )
    radial = np.linalg.norm(np.vstack(fit.residuals_px), axis=1)
    numbers = [card.number for card in cards]
    return Calibration(
        views=(view,),
        cards=placed,
        hull_mm=_glass(view),
        sigma=_sigma_map(fit, view),
        pose_cov={},
        sigma_px=fit.sigma_px,
        rms_px=float(np.sqrt(np.mean(radial**2))),
        max_px=float(radial.max()),
        scale_sigma=scale_sigma_of(sizes, numbers),
        checks=scan_findings(scan, view, sizes, numbers, detection.lost),
    )


def _detected(scan: Photo) -> Detection:
    """Cards of a scan, with refusals in a scan's words."""
    grey = grey_of(scan)
    try:
        return detect_cards(grey, scan.name, NO_LENS_PX)
    except TracerError as error:
        if error.slug == "photo-mirrored":
            raise TracerError(
                "scan-mirrored",
                f"Scan {scan.name} is mirrored: its card reads backwards.",
                "Turn off mirroring in the scanning program, and lay the card face down.",
            ) from None
        if error.slug not in _UNREADABLE:
            raise
        numbers = sorted(find_markers(grey))
        if numbers:
            raise TracerError(
                "scan-card-cut",
                f"Card {numbers[0]} in scan {scan.name} cannot be measured: it is cut off by the "
                "scan's edge, covered or blurred.",
                "Lay it face down and flat on the glass, all of its squares within the scanned "
                "area, and scan again.",
            ) from None
        raise TracerError(
            "scan-without-card",
            f"Scan {scan.name} shows no scale card.",
            "Lay one printed card face down on the glass beside the parts and scan again at 300 "
            "pixels an inch.",
        ) from None


def _rim(view: ScanMap) -> Array:
    w, h = view.size_px
    return view.to_sheet([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]])


def _glass(view: ScanMap) -> Polygon:
    """All that the scan shows, on the sheet; counter-clockwise."""
    return orient(Polygon(_rim(view)))


def _sigma_map(fit: ScanFit, view: ScanMap) -> SigmaMap:
    """Standard deviation over the glass, free of the lay's rigid motion.

    To what the corners leave open comes what flat and well printed paper may differ from its size
    along its two sides; it cannot be told from the scanner's own scales, and one card or two do not
    average it away.
    """
    low, high = _rim(view).min(axis=0), _rim(view).max(axis=0)
    x, y = (np.linspace(low[k], high[k], GRID) for k in (0, 1))
    points = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    pixels = view.to_photo(points)
    columns = []
    for k in range(6):
        step = np.zeros(len(fit.x))
        step[k] = 1e-6 * max(1.0, abs(fit.x[k]))
        ahead, back = (
            ScanMap("", view.size_px, map_of(fit.x + sign * step)).to_sheet(pixels)
            for sign in (1, -1)
        )
        columns.append((ahead - back).ravel() / (2 * step[k]))
    sensitivity = np.column_stack(columns)
    rigid = rigid_motions(points).reshape(-1, 3)
    rest = sensitivity - rigid @ (np.linalg.pinv(rigid) @ sensitivity)
    variance = np.sum((rest @ fit.covariance[:6, :6]) * rest, axis=1).reshape(-1, 2)
    paper = (TOLERATED.scale * (points - points.mean(axis=0))) ** 2
    sigma = np.sqrt((variance + paper).sum(axis=1) / 2)
    return SigmaMap(x, y, sigma.reshape(GRID, GRID))
