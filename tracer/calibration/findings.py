"""What the maker should know about a calibration, and when it is no use at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from shapely.geometry import Polygon

from tracer.calibration.bundle import Dropped
from tracer.calibration.detect import Detection
from tracer.calibration.lay import Problem, view_of
from tracer.calibration.optics import focal_px
from tracer.calibration.solve import Fit
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import BOARD_MM, CardSizes
from tracer.model.report import Check, Severity

__all__ = ["check_outlines", "findings", "refuse_unusable", "size_findings"]

MAX_CHI2 = 9.0
MIN_HEIGHT_MM = 300.0
MAX_TILT_DEG = 50.0
ULTRA_WIDE_MM = 20.0
HEIGHT_SIGMA_SHARE = 0.05  # of the camera height: 0.3 mm on a tool 20 mm tall, 300 mm away
SCATTER_MM = 0.5
ROUNDING = 0.08  # whole millimetres, and what focusing adds
SOFT_PX = 2.0
DIM_LEVEL = 80.0  # of 255
SIGMA_WARN_MM, SIGMA_FAIL_MM = 0.3, 2.0
NEAR_HULL_MM = 100.0
#: of the size as designed: "fit to page" shrinks by some per cent, nothing enlarges by more than
#: borderless printing does (common practice, no source)
LEAST_PRINT, LARGEST_PRINT = 0.93, 1.04


def refuse_unusable(problem: Problem, fit: Fit) -> None:
    """Stop where no answer is better than this one.

    Raises
    ------
    TracerError
        ``cards-not-flat``, ``camera-too-close`` or ``photo-too-oblique``.
    """
    if fit.misfit > MAX_CHI2:
        raise TracerError(
            "cards-not-flat",
            "The cards do not lie on one flat sheet: their corners miss it by "
            f"{fit.sigma_px:.1f} px on average.",
            "Lay the sheet on a flat table, press the cards flat with tape, photograph again.",
        )
    for k, photo in enumerate(problem.photos):
        view = view_of(fit, k, photo)
        if view.height_mm < MIN_HEIGHT_MM:
            raise TracerError(
                "camera-too-close",
                f"The camera of photo {photo.name} was only {view.height_mm:.0f} mm above the "
                "sheet; from there any tool hides much of its own outline.",
                "Photograph from at least 1 m, better 1.5 m, and zoom in if need be.",
            )
        if view.tilt_deg > MAX_TILT_DEG:
            raise TracerError(
                "photo-too-oblique",
                f"Photo {photo.name} looks at the sheet from the side (tilt "
                f"{view.tilt_deg:.0f} degrees).",
                f"Photograph from above, tilted by less than {MAX_TILT_DEG:.0f} degrees, "
                "better less than 15.",
            )


def findings(
    calibration: Calibration,
    problem: Problem,
    fit: Fit,
    detections: Sequence[Detection],
    *,
    odd: Sequence[Dropped] = (),
    cropped: bool = False,
) -> tuple[Check, ...]:
    """All findings: cards left out, print size, picture, lens, height, scatter.

    ``odd``: cards that were kept and look odd; ``cropped``: the photos had to be taken for parts
    of larger ones.
    """
    return (
        *_card_findings(calibration, problem, [d.lost for d in detections]),
        *_picture_findings(problem, detections, cropped),
        *size_findings(problem.sizes, problem.numbers),
        *_lens_findings(calibration, problem, fit),
        *_odd_findings(odd),
        *_scatter_findings(calibration),
    )


def _card_findings(
    calibration: Calibration, problem: Problem, lost: Sequence[Mapping[int, str]]
) -> list[Check]:
    checks = []
    for card in calibration.cards:
        if not card.used:
            checks.append(
                Check(
                    "card-left-out",
                    Severity.WARN,
                    f"Card {card.number} was left out: {card.reason}.",
                    "Press it flat, leave it where it is while photographing, and print all "
                    "cards at the same size.",
                    subject_id=f"card {card.number}",
                )
            )
    for photo, reasons in zip(problem.photos, lost, strict=True):
        for number, reason in reasons.items():
            checks.append(
                Check(
                    "card-not-measured",
                    Severity.WARN,
                    f"Card {number} in photo {photo.name} was not used: {reason}.",
                    "Lay it flat, uncovered and fully in the picture.",
                    subject_id=f"card {number}",
                )
            )
    count = sum(card.used for card in calibration.cards)
    if count < 3:
        checks.append(
            Check(
                "few-cards",
                Severity.WARN,
                f"Only {count} scale card{'s were' if count > 1 else ' was'} used: sizes are good "
                "near it and get worse with the distance."
                if count == 1
                else "Only 2 scale cards were used: a faulty card could not be noticed.",
                "Lay 4 to 8 cards around the tools.",
                value=float(count),
                limit=3.0,
            )
        )
    return checks


def _picture_findings(
    problem: Problem, detections: Sequence[Detection], cropped: bool
) -> list[Check]:
    checks = []
    for photo, seen in zip(problem.photos, detections, strict=True):
        if seen.blur_px > SOFT_PX:
            checks.append(
                Check(
                    "photo-soft",
                    Severity.WARN,
                    f"Photo {photo.name} is not sharp (blur of about {seen.blur_px:.1f} px): edges "
                    "are less certain, most of all beside shadows.",
                    "Rest the camera, tap on the sheet to focus, bring more light.",
                    subject_id=photo.photo_id,
                    value=seen.blur_px,
                    limit=SOFT_PX,
                    unit="px",
                )
            )
        if seen.white < DIM_LEVEL:
            checks.append(
                Check(
                    "photo-dim",
                    Severity.WARN,
                    f"Photo {photo.name} is dark: the cards' white paper is only at "
                    f"{100 * seen.white / 255:.0f} % of full brightness.",
                    "Bring more light, from two sides if you can.",
                    subject_id=photo.photo_id,
                    value=seen.white,
                    limit=DIM_LEVEL,
                )
            )
        if cropped:
            checks.append(
                Check(
                    "photo-looks-cropped",
                    Severity.WARN,
                    f"Photo {photo.name} looks like a part cut from a larger photo: the cards only "
                    "fit if the lens did not look at its middle. The correction of tall tools is "
                    "uncertain.",
                    "Give the photo as the camera saved it, not cropped.",
                    subject_id=photo.photo_id,
                )
            )
    return checks


def size_findings(sizes: CardSizes, numbers: Sequence[int]) -> list[Check]:
    """Findings on the print size of the cards that were seen."""
    typed = [k for k in numbers if sizes.is_typed(k)]
    if len(typed) < len(numbers):
        return [
            Check(
                "card-size-not-typed",
                Severity.WARN,
                "The printed cards were taken to be true to size, 168.0 x 112.0 mm; a printer that "
                "shrinks the page by 3 % makes every tool 3 % too large.",
                "Measure one printed board between its outer edges and type it, for example "
                "168.0x112.0.",
            )
        ]
    size = max((sizes.of(k) for k in typed), key=lambda s: abs(s[0] / BOARD_MM[0] - 1))
    share = size[0] / BOARD_MM[0]
    if LEAST_PRINT <= share <= LARGEST_PRINT:
        return []
    return [
        Check(
            "card-size-unlikely",
            Severity.WARN,
            f"A card size of {size[0]:g} x {size[1]:g} mm was typed, {100 * share:.0f} % of the "
            "168.0 x 112.0 mm it was made for; printers err by less, and every tool becomes as "
            "much larger or smaller.",
            "Measure a printed board again, between its outer edges.",
            value=100 * share,
            limit=100 * (LEAST_PRINT if share < 1 else LARGEST_PRINT),
            unit="%",
        )
    ]


def _lens_findings(calibration: Calibration, problem: Problem, fit: Fit) -> list[Check]:
    checks = []
    for k, (photo, optics, view) in enumerate(
        zip(problem.photos, problem.optics, calibration.cameras, strict=True)
    ):
        if photo.focal_35mm is not None and photo.focal_35mm < ULTRA_WIDE_MM:
            checks.append(
                Check(
                    "lens-ultra-wide",
                    Severity.WARN,
                    f"Photo {photo.name} was taken with an ultra-wide lens "
                    f"({photo.focal_35mm:g} mm), which bends straight edges.",
                    "Use the main camera (1x) from further away.",
                    subject_id=photo.photo_id,
                    value=photo.focal_35mm,
                    limit=ULTRA_WIDE_MM,
                    unit="mm",
                )
            )
        sigma_height = float(np.sqrt(calibration.pose_cov[photo.photo_id][2, 2]))
        if sigma_height > HEIGHT_SIGMA_SHARE * view.height_mm:
            checks.append(
                Check(
                    "camera-height-unsure",
                    Severity.WARN,
                    f"The height of the camera in photo {photo.name} is only known to "
                    f"{view.height_mm:.0f} +/- {sigma_height:.0f} mm, which blurs the correction "
                    "of tall tools.",
                    "Measure the height from sheet to lens (30 mm will do) and type it, or "
                    "tilt the camera by about 10 degrees.",
                    subject_id=photo.photo_id,
                    value=sigma_height,
                    limit=HEIGHT_SIGMA_SHARE * view.height_mm,
                    unit="mm",
                )
            )
        lens = fit.layout.lens_of(fit.x, k)
        factor = float(np.exp(lens[0])) / focal_px(1.0, optics.stored_size_px)
        if optics.contradicted and abs(np.log(factor / (photo.focal_35mm or factor))) > ROUNDING:
            checks.append(
                Check(
                    "focal-length-contradicted",
                    Severity.WARN,
                    f"Photo {photo.name} says it was taken at {photo.focal_35mm:g} mm, but the "
                    f"cards look like {factor:.0f} mm: was it cropped or zoomed?",
                    "Give the photo as the camera saved it.",
                    subject_id=photo.photo_id,
                    value=factor,
                    unit="mm",
                )
            )
    return checks


def _odd_findings(odd: Sequence[Dropped]) -> list[Check]:
    return [
        Check(
            "card-odd",
            Severity.WARN,
            f"Card {card.number} was used, but looks odd beside the others: {card.reason}.",
            "Check its print size and that it lies flat.",
            subject_id=f"card {card.number}",
        )
        for card in odd
    ]


def _scatter_findings(calibration: Calibration) -> list[Check]:
    errors = calibration.leave_one_out_mm
    if not errors:
        return []
    number = max(errors, key=lambda k: errors[k])
    if errors[number] <= SCATTER_MM:
        return []
    return [
        Check(
            "cards-scatter",
            Severity.WARN,
            f"The cards agree only to {errors[number]:.1f} mm (card {number} against the others): "
            "the paper is wavy or the sheet is not flat.",
            "Tape the cards down, lay the sheet on a flat table.",
            subject_id=f"card {number}",
            value=errors[number],
            limit=SCATTER_MM,
            unit="mm",
        )
    ]


def check_outlines(
    calibration: Calibration, outlines: Sequence[tuple[str, Polygon]]
) -> tuple[Check, ...]:
    """Findings on where outlines lie: outside the cards, or where the map is unsure.

    Parameters
    ----------
    outlines
        Pairs of outline id and polygon on the sheet, mm.
    """
    checks = []
    for outline_id, region in outlines:
        if region.is_empty:
            continue
        where = region.representative_point()
        spot = (float(where.x), float(where.y))
        sigma = float(calibration.sigma.at(np.array(region.exterior.coords)).max())
        if sigma > SIGMA_FAIL_MM:
            checks.append(
                Check(
                    "outline-unmeasured",
                    Severity.FAIL,
                    f"At {outline_id} the sheet is known only to +/- {sigma:.1f} mm: this outline "
                    "is not fit for cutting.",
                    "Lay cards around this tool and photograph again.",
                    subject_id=outline_id,
                    value=sigma,
                    limit=SIGMA_FAIL_MM,
                    unit="mm",
                    where_mm=spot,
                )
            )
        elif sigma > SIGMA_WARN_MM:
            checks.append(
                Check(
                    "outline-uncertain",
                    Severity.WARN,
                    f"At {outline_id} the sheet is known only to +/- {sigma:.1f} mm.",
                    "Lay cards around this tool.",
                    subject_id=outline_id,
                    value=sigma,
                    limit=SIGMA_WARN_MM,
                    unit="mm",
                    where_mm=spot,
                )
            )
        beyond = _reach(calibration.hull_mm, region)
        if beyond > NEAR_HULL_MM:
            checks.append(
                Check(
                    "outline-beyond-cards",
                    Severity.WARN,
                    f"{outline_id} reaches {beyond:.0f} mm beyond the cards; the error there is "
                    f"about {sigma:.1f} mm.",
                    "Lay cards around all tools, outside of them.",
                    subject_id=outline_id,
                    value=beyond,
                    limit=NEAR_HULL_MM,
                    unit="mm",
                    where_mm=spot,
                )
            )
    return tuple(checks)


def _reach(hull: Polygon, region: Polygon) -> float:
    """How far the farthest point of a region lies outside a convex hull, mm.

    The distance to a convex set has its maximum over a polygon at one of the vertices.
    """
    return float(shapely.distance(shapely.points(shapely.get_coordinates(region)), hull).max())
