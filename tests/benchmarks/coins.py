"""Coins on real photos, measured by the separation alone against their legal diameters.

    python -m tests.benchmarks.coins FOLDER [--ways auto classical learned] [--cell MM]
        [--step MM] [--only TEXT] [--pictures FOLDER] [--markdown FILE]

FOLDER holds photos of euro coins and ``coins.csv``: per coin ``photo, value_eur, diameter_mm,
x_px, y_px, radius_px_by_hand``; where there is a ``grounds.csv`` (``photo, ground``), figures are
given by ground too. The diameters are those of Council Regulation (EC) No 975/98,
annex I. No card is in view, so the photo's scale is taken roughly from the radii drawn by hand
and then, with the tilt, from the measured diameters themselves: three numbers per photo, the
scale in the middle and its change along x and y. What is left is the error of the edge.

*Joined* is a coin of which a region holds more than half that holds more than half of another
coin too. *Form* is how far an outline strays from the ellipse of its own area and second moments,
since a coin seen aslant is one: root mean square over the outline, and the largest.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon

from tests.benchmarks.intervals import share_words
from tracer.geometry.closed_rings import resample
from tracer.model.photo import Photo
from tracer.model.view import ScaledPicture
from tracer.photos import read_photo
from tracer.segmentation import SegmentOptions, Way, segment

__all__ = ["Coin", "CoinPhoto", "fit_diameters", "measure", "read_coins", "residual_rms_mm"]

Array = NDArray[np.float64]
FITTED = 3  # scale, and its change along x and y
LEAST_IOU = 0.5  # of a region and the coin's rough circle
CELL_MM, STEP_MM = 0.5, 0.5  # finer than usual: coins are smaller than tools
ROUND_MM = 1.0  # an outline that nowhere strays farther from its ellipse is round
SMALLEST_MM = (10.0, 10.0)  # the smallest coin is shorter than the smallest tool


@dataclass(frozen=True)
class Coin:
    """A coin: legal diameter in mm, and where it lies, roughly, in px."""

    value_eur: str
    diameter_mm: float
    middle_px: tuple[float, float]
    rough_radius_px: float


@dataclass(frozen=True, eq=False)
class CoinPhoto:
    """What was found on one photo.

    Attributes
    ----------
    found
        Per coin its region on the sheet at the rough scale, or None.
    joined
        Per coin, whether it shares a region with another.
    forms_mm
        (N, 2) of the found coins: root mean square and largest distance from an ellipse.
    merged, invented
        Regions with more than one coin; regions with none.
    diameters_mm
        (N,) of the found coins after the fit.
    residuals_mm
        (N,) measured less legal diameter.
    """

    name: str
    coins: tuple[Coin, ...]
    found: tuple[Polygon | None, ...]
    joined: tuple[bool, ...]
    forms_mm: Array
    merged: int
    invented: int
    diameters_mm: Array
    residuals_mm: Array

    @property
    def count(self) -> int:
        """Coins found as one region of their own."""
        return sum(region is not None for region in self.found)

    @property
    def freedom(self) -> int:
        """Degrees of freedom left by the fit."""
        return self.count - FITTED


def read_coins(file: Path) -> dict[str, tuple[Coin, ...]]:
    """Coins by photo."""
    coins: dict[str, list[Coin]] = {}
    with file.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            coin = Coin(
                row["value_eur"],
                float(row["diameter_mm"]),
                (float(row["x_px"]), float(row["y_px"])),
                float(row["radius_px_by_hand"]),
            )
            coins.setdefault(row["photo"], []).append(coin)
    return {name: tuple(found) for name, found in coins.items()}


def rough_scale(coins: Sequence[Coin]) -> float:
    """Millimetres per pixel by the circles drawn by hand."""
    return float(np.median([c.diameter_mm / (2 * c.rough_radius_px) for c in coins]))


def fit_diameters(measured: Array, legal_mm: Array, places: Array) -> Array:
    """Measured diameters after scale and tilt are fitted.

    Parameters
    ----------
    measured
        (N,) diameters at a rough scale.
    legal_mm
        (N,) true diameters.
    places
        (N, 2) where the coins lie, in any unit.

    Returns
    -------
    (N,) diameters in mm, ``measured / (a + b x + c y)``, a, b and c by least squares.
    """
    middle = places.mean(axis=0)
    shape = np.column_stack([np.ones(len(places)), (places - middle) / np.ptp(places)])
    parts, *_ = np.linalg.lstsq(shape * legal_mm[:, None], measured, rcond=None)
    return np.asarray(measured / (shape @ parts), np.float64)


def residual_rms_mm(photos: Sequence[CoinPhoto]) -> float:
    """Root of the squared residuals over the degrees of freedom, all photos together.

    Photos with too few coins for the fit do not count; NaN if none has enough.
    """
    fitted = [p for p in photos if p.freedom > 0]
    if not fitted:
        return float("nan")
    squares = sum(float(np.sum(p.residuals_mm**2)) for p in fitted)
    return float(np.sqrt(squares / sum(p.freedom for p in fitted)))


def plane_of(photo: Photo, coins: Sequence[Coin]) -> ScaledPicture:
    """The photo at the rough scale: no card, no camera."""
    height, width = photo.pixels.shape[:2]
    return ScaledPicture(photo.photo_id, (width, height), rough_scale(coins))


def measure(
    file: Path,
    coins: Sequence[Coin],
    *,
    way: Way = Way.AUTO,
    cell_mm: float = CELL_MM,
    step_mm: float = STEP_MM,
) -> CoinPhoto:
    """Separate and measure the coins of one photo.

    Parameters
    ----------
    cell_mm, step_mm
        As in `tracer.segmentation.SegmentOptions`.
    """
    photo = read_photo(file)
    plane = plane_of(photo, coins)
    options = SegmentOptions(way=way, cell_mm=cell_mm, step_mm=step_mm, smallest_mm=SMALLEST_MM)
    regions = [s.region for s in segment(photo, plane, options=options).silhouettes]
    scale = plane.scale_mm_per_px
    discs = [
        Point(*plane.to_sheet([c.middle_px])[0]).buffer(c.rough_radius_px * scale) for c in coins
    ]
    covers = np.array(
        [[_share(Polygon(r.exterior), d) > LEAST_IOU for r in regions] for d in discs], bool
    ).reshape(len(discs), len(regions))
    touched = np.array(
        [[r.intersection(d).area > LEAST_IOU * d.area for r in regions] for d in discs], bool
    ).reshape(covers.shape)
    shared = touched.sum(axis=0) > 1
    covers &= ~shared
    found = tuple(
        Polygon(regions[int(np.argmax(row))].exterior) if row.any() else None for row in covers
    )
    both = [(c, r) for c, r in zip(coins, found, strict=True) if r is not None]
    legal = np.array([c.diameter_mm for c, _ in both])
    measured = np.array([np.sqrt(4 * r.area / np.pi) for _, r in both])
    places = np.array([[r.centroid.x, r.centroid.y] for _, r in both]).reshape(-1, 2)
    fitted = fit_diameters(measured, legal, places) if len(both) > FITTED else legal * np.nan
    return CoinPhoto(
        name=file.name,
        coins=tuple(coins),
        found=found,
        joined=tuple((touched & shared).any(axis=1).tolist()),
        forms_mm=np.array([form_mm(r) for _, r in both]).reshape(-1, 2),
        merged=int(shared.sum()),
        invented=int((~touched.any(axis=0) & ~covers.any(axis=0)).sum()),
        diameters_mm=fitted,
        residuals_mm=fitted - legal,
    )


def form_mm(region: Polygon) -> tuple[float, float]:
    """Distance of an outline from the ellipse of its area and second moments: rms and largest.

    The inverse of the second moments' square root turns that ellipse into a circle; distances from
    it are scaled back by its mean radius.
    """
    (ring,) = resample(shapely.get_coordinates(region.exterior)[:-1], 0.2)
    mean, spread = _moments(region)
    values, vectors = np.linalg.eigh(spread)
    round_ = (ring - mean) @ (vectors / np.sqrt(4 * values))
    away = (np.linalg.norm(round_, axis=1) - 1) * float(np.sqrt(region.area / np.pi))
    return float(np.sqrt(np.mean(away**2))), float(np.abs(away).max())


def _moments(region: Polygon) -> tuple[Array, Array]:
    """Centroid (2,) and covariance (2, 2) of a region's area, from triangles to one point."""
    ring = shapely.get_coordinates(region.exterior)
    first, second = ring[:-1] - ring[0], ring[1:] - ring[0]
    area = (first[:, 0] * second[:, 1] - second[:, 0] * first[:, 1]) / 2
    corners = np.stack([np.zeros_like(first), first, second])
    middle = corners.mean(axis=0)
    mean = (area[:, None] * middle).sum(axis=0) / area.sum()
    # of a triangle: twelfth of the sum over its corners about its middle, and that middle's own
    parts = np.einsum("kni,knj->nij", corners - middle, corners - middle) / 12
    parts += np.einsum("ni,nj->nij", middle - mean, middle - mean)
    return mean + ring[0], np.einsum("n,nij->ij", area, parts) / area.sum()


def _share(first: Polygon, second: Polygon) -> float:
    return float(first.intersection(second).area / first.union(second).area)


def draw(file: Path, result: CoinPhoto) -> NDArray[np.uint8]:
    """The photo with the found edges, BGR, at most 1600 px wide."""
    photo = read_photo(file)
    plane = plane_of(photo, result.coins)
    picture = np.ascontiguousarray(photo.pixels[..., ::-1])
    for region in result.found:
        if region is not None:
            ring = np.round(plane.to_photo(shapely.get_coordinates(region.exterior)) * 16)
            cv2.polylines(picture, [ring.astype(np.int32)], True, (255, 0, 255), 2, shift=4)
    shrink = min(1.0, 1600 / picture.shape[1])
    return np.asarray(cv2.resize(picture, None, fx=shrink, fy=shrink), np.uint8)


def figures(photos: Sequence[CoinPhoto]) -> list[str]:
    """Cells of a line about some photos: counts with intervals over photos, and medians."""

    def shares(what: Callable[[CoinPhoto], int]) -> str:
        return share_words([(what(p), len(p.coins)) for p in photos])

    rest = np.concatenate([p.residuals_mm for p in photos if p.freedom > 0] or [np.empty(0)])
    forms = np.vstack([p.forms_mm for p in photos])
    lone = len(forms) == 0
    return [
        shares(lambda p: p.count),
        shares(lambda p: sum(p.joined)),
        shares(lambda p: int((p.forms_mm[:, 1] <= ROUND_MM).sum())),
        str(sum(p.invented for p in photos)),
        f"{np.median(np.abs(rest)):.3f}" if len(rest) else "-",
        "-" if lone else f"{np.median(forms[:, 0]):.3f}",
        "-" if lone else f"{np.median(forms[:, 1]):.2f}",
    ]


def by_ground(photos: Sequence[CoinPhoto], ground_of: dict[str, str]) -> str:
    """One line per ground, and one for all, as Markdown."""
    lines = [
        "| ground | photos | found by itself | joined | nowhere 1 mm off round | invented "
        "| median error of diameter mm | median form rms mm | median form largest mm |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    kinds = {g: [p for p in photos if ground_of[p.name] == g] for g in ground_of.values()}
    for ground, some in [*kinds.items(), ("all", list(photos))]:
        if some:
            lines.append(f"| {ground} | {len(some)} | {' | '.join(figures(some))} |")
    return "\n".join(lines)


def read_grounds(folder: Path) -> dict[str, str]:
    """Ground by photo; empty where none are told."""
    file = folder / "grounds.csv"
    if not file.exists():
        return {}
    with file.open(encoding="utf-8", newline="") as lines:
        return {row["photo"]: row["ground"] for row in csv.DictReader(lines)}


def table(results: dict[str, list[CoinPhoto]]) -> str:
    """One line per way and photo, as Markdown."""
    lines = [
        "| way | photo | coins | found | merged | invented | rms mm | largest mm |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for way, photos in results.items():
        for name, some in [*((p.name, [p]) for p in photos), ("all", photos)]:
            rest = np.concatenate(
                [p.residuals_mm for p in some if p.freedom > 0] or [np.full(1, np.nan)]
            )
            lines.append(
                f"| {way} | {Path(name).stem} | {sum(len(p.coins) for p in some)} "
                f"| {sum(p.count for p in some)} | {sum(p.merged for p in some)} "
                f"| {sum(p.invented for p in some)} | {_mm(residual_rms_mm(some))} "
                f"| {_mm(float(np.abs(rest).max()))} |"
            )
    return "\n".join(lines)


def _mm(value: float) -> str:
    """A dash: too few coins for the fit."""
    return f"{value:.3f}" if np.isfinite(value) else "-"


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coins")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--ways", nargs="+", type=Way, default=[Way.AUTO, Way.CLASSICAL])
    parser.add_argument("--cell", type=float, default=CELL_MM, help="mm per working cell")
    parser.add_argument("--step", type=float, default=STEP_MM, help="mm between edge points")
    parser.add_argument("--only", default="", help="photos whose name holds this text")
    parser.add_argument("--pictures", type=Path, help="folder for the photos with edges drawn")
    parser.add_argument("--markdown", type=Path, help="write the table for the docs")
    chosen = parser.parse_args(arguments)
    results: dict[str, list[CoinPhoto]] = {}
    for way in chosen.ways:
        for name, coins in read_coins(chosen.folder / "coins.csv").items():
            if chosen.only not in name:
                continue
            file = chosen.folder / name
            result = measure(file, coins, way=way, cell_mm=chosen.cell, step_mm=chosen.step)
            results.setdefault(way.value, []).append(result)
            found = [c for c, r in zip(coins, result.found, strict=True) if r is not None]
            for coin, rest in zip(found, result.residuals_mm, strict=True):
                print(f"{way} {name} {coin.value_eur} EUR {coin.diameter_mm}: {rest:+.3f} mm")
            if chosen.pictures:
                out = chosen.pictures / f"{way}-{Path(name).stem}.png"
                cv2.imwrite(str(out), draw(file, result))
    print(table(results))
    grounds = read_grounds(chosen.folder)
    for way_name, photos in results.items():
        if grounds:
            print(f"\n{way_name}, by ground:\n{by_ground(photos, grounds)}")
    if chosen.markdown:
        first = next(iter(results.values()), [])
        kept = by_ground(first, grounds) if grounds else table(results)
        chosen.markdown.write_text(kept + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
