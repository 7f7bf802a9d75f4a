"""What is no scan, and what the maker should know about one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tracer.calibration.detect import Detection
from tracer.calibration.findings import size_findings
from tracer.calibration.quality import TOLERATED, WORST
from tracer.calibration.scan_fit import SIGNIFICANT, GlassCard, ScanFit, perspective, strain
from tracer.errors import TracerError
from tracer.model.card import SQUARE_MM, CardSizes
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity
from tracer.model.scan_map import INCH_MM, ScanMap

__all__ = ["looks_scanned", "refuse_no_scan", "scan_findings"]

#: relative change of scale along a board: prints differ by as much, and no flat glass by more. A
#: photo from 1.5 m that is tilted by a degree shows 0.2 %
LEAST_CHANGE = WORST * TOLERATED.scale
LEAST_DPI = 150.0  # 0.17 mm a pixel; coarser, an edge is no better known than in a photo
#: a card that lies flat on glass misses its shape by printing alone, 0.1 mm or less (common
#: practice, no source)
MOST_MISS_MM = 0.2
#: screens' resolutions, which programs write where they know of no scanner (common practice, no
#: source); nobody scans parts so coarsely
LEAST_STATED_DPI = 100.0
TOLD_SHARE = 0.002  # of a scale: 0.2 mm on 100 mm
LARGE_SHARE = 0.01
#: cards printed to fit a page are off by some per cent, scanners by less (common practice, no
#: source); a photo meets its file's own number so nearly once in a few hundred times
SAME_DPI = 0.05


def refuse_no_scan(scan: Photo, cards: Sequence[GlassCard], fit: ScanFit, view: ScanMap) -> None:
    """Stop where the picture is no scan, or its cards give it no one scale.

    Raises
    ------
    TracerError
        ``scan-is-photo``, ``scan-cards-disagree``, ``scan-card-not-flat``, ``scan-too-coarse``.
    """
    if scan.focal_35mm is not None:
        raise _a_photo(scan, f"its file says that a lens of {scan.focal_35mm:g} mm took it")
    chance, change = perspective(cards)
    if chance < SIGNIFICANT and change > LEAST_CHANGE:
        raise _a_photo(
            scan,
            f"its scale changes by {100 * change:.1f} % along a card, which a scanner's never does",
        )
    if len(cards) > 1:
        chance, difference = strain(cards)
        if chance < SIGNIFICANT and difference > LEAST_CHANGE:
            numbers = " and ".join(str(c.number) for c in cards)
            raise TracerError(
                "scan-cards-disagree",
                f"Cards {numbers} in scan {scan.name} contradict each other: by one of them lengths"
                f" are {100 * difference:.1f} % longer than by another.",
                "Measure each printed board and type its size, or scan with one card alone.",
            )
    coarsest = min(view.dpi)
    if coarsest < LEAST_DPI:
        raise TracerError(
            "scan-too-coarse",
            f"Scan {scan.name} has only {coarsest:.0f} pixels an inch by its card; at least "
            f"{LEAST_DPI:.0f} are needed.",
            "Scan again at 300 pixels an inch, or trace it as a photo if it is one.",
        )
    miss = fit.sigma_px * INCH_MM / coarsest
    if miss > MOST_MISS_MM:
        raise TracerError(
            "scan-card-not-flat",
            f"The card in scan {scan.name} does not lie flat on the glass: its corners miss their "
            f"places by {miss:.1f} mm.",
            "Press it flat, weighted with a book if need be, and scan again.",
        )


def _a_photo(scan: Photo, why: str) -> TracerError:
    return TracerError(
        "scan-is-photo",
        f"{scan.name} is a photo and no scan: {why}.",
        "Trace it as a photo, or lay parts and card on a flatbed scanner's glass.",
    )


def scan_findings(
    scan: Photo,
    view: ScanMap,
    sizes: CardSizes,
    numbers: Sequence[int],
    lost: Mapping[int, str],
) -> tuple[Check, ...]:
    """Findings: cards not measured, print size, stated resolution, shear.

    Parameters
    ----------
    lost
        By card that was seen and not measured, why.
    """
    return (
        *(
            Check(
                "card-not-measured",
                Severity.WARN,
                f"Card {number} in scan {scan.name} was not used: {reason}.",
                "Lay it flat on the glass, all of it within the scanned area.",
                subject_id=f"card {number}",
            )
            for number, reason in lost.items()
        ),
        *size_findings(sizes, numbers),
        *_resolution(scan, view, typed=all(sizes.is_typed(k) for k in numbers)),
    )


def looks_scanned(photo: Photo, seen: Detection) -> list[Check]:
    """A finding where what was given as a photo is a scan: its outlines would be mirrored.

    A camera's file says nothing of pixels an inch, or what programs write for screens. Where it
    says as many as a card shows, a scanner wrote it.
    """
    if photo.focal_35mm is not None or photo.dpi is None or min(photo.dpi) < LEAST_STATED_DPI:
        return []
    squares_px = [card.spacing_px for card in seen.cards.values()]
    shown = INCH_MM / SQUARE_MM * float(np.median(squares_px))
    if not all(abs(shown / stated - 1) < SAME_DPI for stated in photo.dpi):
        return []
    return [
        Check(
            "looks-scanned",
            Severity.FAIL,
            f"{photo.name} looks like a flatbed scan, not a photo: it says {photo.dpi[0]:.0f} "
            f"pixels an inch, and its cards show {shown:.0f}. A scan is seen from below, so traced "
            "as a photo all its outlines are mirrored.",
            "Trace it as a scan.",
            subject_id=photo.photo_id,
            value=shown,
        )
    ]


def _resolution(scan: Photo, view: ScanMap, *, typed: bool) -> list[Check]:
    """Where the file's own pixels an inch are not those that the card shows."""
    if scan.dpi is None or min(scan.dpi) < LEAST_STATED_DPI:
        return []
    shares = [found / stated - 1 for found, stated in zip(view.dpi, scan.dpi, strict=True)]
    worst = max(shares, key=abs)
    if abs(worst) < TOLD_SHARE:
        return []
    stated = " x ".join(f"{v:g}" for v in dict.fromkeys(round(v) for v in scan.dpi))
    sentence = (
        f"{scan.name} says {stated} pixels an inch; by the card they are {view.dpi[0]:.1f} along "
        f"its rows and {view.dpi[1]:.1f} along its columns. The card counts"
    )
    if typed:
        why, remedy = "; the scanner is that far off.", "Nothing has to be done."
    else:
        why = ": if it was not printed true to size, every part is as much too large or too small."
        remedy = "Measure the printed board between its outer edges and type it."
    return [
        Check(
            "scan-resolution-differs",
            Severity.WARN if not typed or abs(worst) > LARGE_SHARE else Severity.NOTE,
            sentence + why,
            remedy,
            subject_id=scan.photo_id,
            value=100 * worst,
            limit=100 * TOLD_SHARE,
            unit="%",
        )
    ]
