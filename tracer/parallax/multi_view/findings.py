"""What several photos let us say to the maker: findings about the lay and its tools."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Protocol

import numpy as np
from shapely.geometry import Polygon

from tracer.model.report import Check, Severity
from tracer.model.silhouette import Silhouette
from tracer.model.view import View
from tracer.parallax.multi_view.advice import next_photo, open_share, open_side
from tracer.parallax.multi_view.correspond import Track
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.oneheight import FLAT_MM, lies_flat
from tracer.parallax.multi_view.outliers import Outlier, OutlierReason, Slip
from tracer.parallax.multi_view.together import SolvedRing, TypedPrior, Whole

__all__ = [
    "check_baselines",
    "check_disputes",
    "check_flat",
    "check_open_edges",
    "check_outliers",
    "check_slips",
    "check_typed",
]

#: distance of two cameras, as a share of their height, below which they see the same
CLOSE = 0.08
#: share of a tool's contour that may stay open before another photo is asked for
OPEN_SHARE = 0.20


class Found(Protocol):
    """The part of a solved tool that findings need."""

    @property
    def region(self) -> Polygon:
        """Outline."""
        ...

    @property
    def silhouettes(self) -> tuple[Silhouette, ...]:
        """Silhouettes it was solved from."""
        ...

    @property
    def slips(self) -> tuple[Slip, ...]:
        """Rigid shift per photo."""
        ...


def middle(region: Polygon) -> tuple[float, float]:
    """A place on the sheet to point at."""
    c = region.centroid
    return float(c.x), float(c.y)


def ordinal(photo: int) -> str:
    """Photos as people count them."""
    return f"photo {photo + 1}"


def check_outliers(outliers: Sequence[Outlier]) -> list[Check]:
    """Silhouettes that fit no other photo."""
    checks = []
    for outlier in outliers:
        where = middle(outlier.silhouette.region)
        name, photo = outlier.silhouette.silhouette_id, ordinal(outlier.photo)
        if outlier.reason == OutlierReason.MOVED:
            checks.append(
                Check(
                    "tool-moved",
                    Severity.WARN,
                    f"A tool lies elsewhere in {photo} than in the others; "
                    f"that photo was not used for it.",
                    "Take all photos again without touching the tools.",
                    name,
                    where_mm=where,
                )
            )
        elif outlier.reason == OutlierReason.MIRRORED:
            checks.append(
                Check(
                    "mirror-image",
                    Severity.NOTE,
                    "A shape that moves as if it lay below the sheet was taken for a mirror image "
                    "and left out.",
                    "Use a matt sheet.",
                    name,
                    where_mm=where,
                )
            )
        elif outlier.reason == OutlierReason.FLAT:
            checks.append(
                Check(
                    "flat-left-out",
                    Severity.NOTE,
                    "A shape that all photos see flat on the sheet, with an edge that hardly "
                    "stands out, was taken for a stain and left out.",
                    "If it is a tool, name it in the tool list.",
                    name,
                    where_mm=where,
                )
            )
        elif outlier.kept:
            checks.append(
                Check(
                    "seen-in-one-photo",
                    Severity.WARN,
                    f"A tool was found in {photo} alone, though another photo should show it; "
                    f"its outline comes from that photo only.",
                    "Look at it in the overlay, or take one more photo over it.",
                    name,
                    where_mm=where,
                )
            )
        else:
            checks.append(
                Check(
                    "not-confirmed",
                    Severity.WARN,
                    f"A shape in {photo} is not where the other photos should show it and was "
                    f"left out as a shadow, a hand or a mirror image.",
                    "If it is a tool, take one more photo over it.",
                    name,
                    where_mm=where,
                )
            )
    return checks


def check_flat(whole: Whole, typed: TypedPrior | None, subject_id: str) -> list[Check]:
    """What stands up from the sheet nowhere: a thin tool, or a print, a tape, a drawn line."""
    if typed is not None or not lies_flat(whole.one_height):
        return []
    x, y = (float(v) for v in whole.exterior.fit.ring.points_mm.mean(axis=0))
    return [
        Check(
            "flat-on-sheet",
            Severity.NOTE,
            "All photos see this flat on the sheet, as they would a print, a tape or a drawn line.",
            "If it is no tool, leave it out; if it is one, type its height.",
            subject_id,
            whole.edge_mm,
            FLAT_MM,
            "mm",
            (x, y),
        )
    ]


def check_baselines(cameras: Sequence[Camera]) -> list[Check]:
    """Photos taken from nearly the same place measure no height."""
    widest = max(
        (
            float(np.linalg.norm(a.nadir_mm - b.nadir_mm)) / min(a.height_mm, b.height_mm)
            for a, b in combinations(cameras, 2)
        ),
        default=0.0,
    )
    if widest >= CLOSE or len(cameras) < 2:
        return []
    apart = widest * float(np.median([c.height_mm for c in cameras]))
    return [
        Check(
            "photos-too-close",
            Severity.WARN,
            f"All photos were taken from places at most {apart:.0f} mm apart, so that they hardly "
            f"measure heights.",
            "Take the photos 300 to 700 mm apart, in both directions.",
            value=apart,
            limit=300.0,
            unit="mm",
        )
    ]


def check_disputes(tracks: Sequence[Track], tools: Sequence[Found]) -> list[Check]:
    """Photos that show one tool where others show two."""
    return [
        Check(
            "tools-run-together",
            Severity.NOTE,
            "The photos do not agree whether this is one tool or several; most of them decided.",
            "Leave a gap of 15 mm or more between tools.",
            tool.silhouettes[0].silhouette_id,
            where_mm=middle(tool.region),
        )
        for track, tool in zip(tracks, tools, strict=True)
        if track.disputed
    ]


def check_typed(whole: Whole, typed: TypedPrior | None, subject_id: str) -> list[Check]:
    """A typed height that the photos contradict: edges seen above it, or all far below it."""
    if typed is None:
        return []
    spread = np.hypot(typed.sigma_mm, whole.one_height.sigma_mm)
    ring = whole.exterior.fit.ring
    x, y = (float(v) for v in ring.points_mm.mean(axis=0))
    if whole.edge_mm > typed.height_mm + 3 * spread:
        return [
            Check(
                "typed-height-contradicted",
                Severity.WARN,
                f"Typed {typed.height_mm:.0f} mm high, but the photos see its edges at "
                f"{whole.edge_mm:.0f} mm and more.",
                "Measure the tool again at its highest point as it lies on the sheet.",
                subject_id,
                typed.height_mm,
                whole.edge_mm,
                "mm",
                (x, y),
            )
        ]
    ratio = typed.height_mm / max(whole.height_mm, 1.0)
    if typed.height_mm > 15 and ratio > 3:
        return [
            Check(
                "typed-height-contradicted",
                Severity.WARN,
                f"Typed {typed.height_mm:.0f} mm high, but the photos see no edge of it above "
                f"{whole.top_mm:.0f} mm.",
                "Measure the tool again at its highest point as it lies on the sheet.",
                subject_id,
                typed.height_mm,
                whole.height_mm,
                "mm",
                (x, y),
            )
        ]
    return []


def check_slips(tools: Sequence[Found]) -> list[Check]:
    """Tools that one photo shows shifted against the others, and photos that shift most tools."""
    photos = sorted({s.photo for t in tools for s in t.slips})
    by_photo = {
        i: [(t, s) for t in tools for s in t.slips if s.photo == i and np.isfinite(s.sigma_mm)]
        for i in photos
    }
    checks = []
    for photo, some in by_photo.items():
        bad = [(t, s) for t, s in some if s.plain]
        if len(some) >= 3 and len(bad) > 0.6 * len(some):
            shift = float(np.median([s.shift_mm for _, s in bad]))
            checks.append(
                Check(
                    "photo-disagrees",
                    Severity.WARN,
                    f"{ordinal(photo).capitalize()} shows most tools {shift:.1f} mm away from "
                    f"where the other photos put them.",
                    "A card was pushed between the shots, or the sheet is not flat: "
                    "take that photo again.",
                    value=shift,
                    limit=1.5,
                    unit="mm",
                )
            )
            continue
        checks += [
            Check(
                "tool-moved",
                Severity.WARN,
                f"{ordinal(photo).capitalize()} shows a tool shifted by {s.shift_mm:.1f} mm "
                f"against the other photos.",
                "Take all photos again without touching the tools.",
                t.silhouettes[0].silhouette_id,
                s.shift_mm,
                1.5,
                "mm",
                middle(t.region),
            )
            for t, s in bad
        ]
    return checks


def compass(direction_px: np.ndarray) -> str:
    """A direction in a picture (y down) in words.

    Examples
    --------
    >>> compass(np.array([3.0, -3.0])), compass(np.array([0.0, 5.0]))
    ('upper right', 'bottom')
    """
    names = [
        "right",
        "upper right",
        "top",
        "upper left",
        "left",
        "lower left",
        "bottom",
        "lower right",
    ]
    angle = float(np.arctan2(-direction_px[1], direction_px[0]))
    return names[round(angle / (np.pi / 4)) % 8]


def in_picture(view: View, from_mm: tuple[float, float], towards_mm: np.ndarray) -> str:
    """How a photo shows a direction (2,) on the sheet at a place of it, in words."""
    start = np.asarray(from_mm, np.float64)
    ends = view.to_photo(np.stack([start, start + towards_mm]))
    return compass(ends[1] - ends[0])


def check_open_edges(
    tools: Sequence[Found],
    rings: Sequence[SolvedRing],
    cameras: Sequence[Sequence[Camera]],
    view: View,
) -> list[Check]:
    """Edges that all photos see from one side, and from where one more photo would help most.

    Directions are told as ``view``, the first photo, shows them.
    """
    checks = []
    for tool, ring in zip(tools, rings, strict=True):
        share, side = open_share(ring), open_side(ring)
        if share <= OPEN_SHARE:
            continue
        where = middle(tool.region)
        towards = "" if side is None else f" on its {in_picture(view, where, side)} side"
        checks.append(
            Check(
                "edge-from-one-side",
                Severity.WARN,
                f"{share:.0%} of this tool's edge{towards} is seen from one side only; something "
                f"wider low down could hide there.",
                "Take one more photo from beyond that side, or cut the pocket to the outer bound.",
                tool.silhouettes[0].silhouette_id,
                share,
                OPEN_SHARE,
                "",
                where,
            )
        )
    if not checks:
        return []
    best = next_photo(rings, cameras)
    if best is not None and best.after_mm < 0.9 * best.before_mm:
        x, y = best.nadir_mm
        helped = middle(tools[best.tool].region)
        away = np.array(best.nadir_mm) - helped
        checks.append(
            Check(
                "further-photo",
                Severity.NOTE,
                f"One more photo would help most with the camera {np.linalg.norm(away):.0f} mm to "
                f"the {in_picture(view, helped, away)} of this tool as the first photo shows it "
                f"(over x {x:.0f}, y {y:.0f} mm; the arrow in the overlay): it would take the open "
                f"edges from {best.before_mm:.1f} to {best.after_mm:.1f} mm.",
                "Hold the camera there at the same height, aimed at the middle, and add the photo "
                "to the lay.",
                tools[best.tool].silhouettes[0].silhouette_id,
                best.after_mm,
                best.before_mm,
                "mm",
                best.nadir_mm,
            )
        )
    return checks
