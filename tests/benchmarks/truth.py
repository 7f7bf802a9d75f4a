"""Scene folders with exact truth: cameras, cards, tools, and what a perfect eye would see.

A scene folder holds photos, one label map per photo (0 = no tool, i + 1 = the i-th tool) and
``truth.json``: per photo ``file, label, width, height, K, dist, R, t`` (sheet to camera, OpenCV's
conventions), per card ``number, origin_mm, angle_deg, scale_x, scale_y``, per tool ``name,
height_mm, outline, visible_in, cut_in``.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter1d
from shapely import make_valid
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient
from skimage.measure import find_contours

from tracer.geometry.compare import Motion, filled
from tracer.model.silhouette import Silhouette
from tracer.model.view import View

__all__ = ["Scene", "Tool", "find_scenes", "mask_outline", "seen_silhouette"]

Array = NDArray[np.float64]
BOARD_MM = (168.0, 112.0)
MASK_SMOOTH_PX = 1.5  # a 0/1 mask has 0.25 to 0.3 px of noise along its edge


@dataclass(frozen=True, eq=False)
class Tool:
    """A tool of the truth: its outline seen straight down and where the photos cut it."""

    index: int
    name: str
    height_mm: float
    outline: Polygon
    visible_in: tuple[int, ...]
    cut_in: tuple[int, ...]
    optional: bool

    def counted(self, photos: range) -> bool:
        """Seen whole in some of the photos, and not a loose cable."""
        return not self.optional and any(
            i in photos and i not in self.cut_in for i in self.visible_in
        )


@dataclass(frozen=True, eq=False)
class Scene:
    """A scene folder."""

    folder: Path

    @cached_property
    def truth(self) -> dict[str, Any]:
        return dict(json.loads((self.folder / "truth.json").read_text("utf-8")))

    @property
    def name(self) -> str:
        parts = self.folder.parts
        return "/".join(parts[-2:]) if self.folder.name in {"before", "after"} else parts[-1]

    @property
    def expected(self) -> str:
        return str(self.truth.get("expected", "ok"))

    @property
    def photos(self) -> list[Path]:
        return [self.folder / p["file"] for p in self.truth["photos"]]

    @property
    def tool_list(self) -> Path:
        return self.folder / "tools.csv"

    @cached_property
    def typed_heights_mm(self) -> dict[str, float]:
        with self.tool_list.open(encoding="utf-8", newline="") as file:
            return {
                row["name"]: float(row["height_mm"])
                for row in csv.DictReader(file)
                if row["height_mm"]
            }

    @cached_property
    def views(self) -> list[View]:
        return [
            View(
                p["file"],
                (p["width"], p["height"]),
                np.array(p["K"], float),
                np.array(p["dist"], float),
                np.array(p["R"], float),
                np.array(p["t"], float),
            )
            for p in self.truth["photos"]
        ]

    @cached_property
    def tools(self) -> list[Tool]:
        return [
            Tool(
                i,
                t["name"],
                t["height_mm"],
                orient(Polygon(t["outline"]["exterior"], t["outline"]["holes"])),
                tuple(t["visible_in"]),
                tuple(t.get("cut_in", ())),
                bool(t.get("optional", False)),
            )
            for i, t in enumerate(self.truth["tools"])
        ]

    @property
    def card_sizes_mm(self) -> dict[int, tuple[float, float]]:
        """Printed long and short side per card number."""
        return {
            c["number"]: (BOARD_MM[0] * c["scale_x"], BOARD_MM[1] * c["scale_y"])
            for c in self.truth["cards"]
        }

    def to_first_card(self, number: int | None = None) -> Motion:
        """Motion from the truth's frame to the frame of a card (default: the lowest number)."""
        cards = {c["number"]: c for c in self.truth["cards"]}
        if not cards:
            return Motion()
        card = cards[min(cards) if number is None else number]
        angle = np.radians(card["angle_deg"])
        down = BOARD_MM[1] * card["scale_y"]
        origin = np.array(card["origin_mm"]) + down * np.array([np.sin(angle), -np.cos(angle)])
        turn = Motion(-float(angle))
        x, y = -turn.points([origin])[0]
        return Motion(-float(angle), (float(x), float(y)))

    def labels(self, photo: int) -> NDArray[np.uint8]:
        with Image.open(self.folder / self.truth["photos"][photo]["label"]) as picture:
            return np.asarray(picture.convert("L"))


def find_scenes(folders: list[Path]) -> list[Scene]:
    """Every folder with a ``truth.json`` at or under the given ones, in order of their names."""
    found = {p.parent for folder in folders for p in folder.rglob("truth.json")}
    return [Scene(p) for p in sorted(found)]


def mask_outline(mask: NDArray[np.bool_], view: View) -> Polygon | None:
    """Outline of a mask (H, W) of a photo, with holes, laid on the sheet; None if it is empty."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return None
    top, left = rows[0] - 2, cols[0] - 2
    window = np.pad(mask[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1], 2)
    rings = []
    for contour in find_contours(window.astype(float), 0.5):
        if len(contour) < 20:
            continue
        px = gaussian_filter1d(contour[:-1], MASK_SMOOTH_PX, axis=0, mode="wrap")
        mm = view.to_sheet(px[:, ::-1] + [left, top])
        rings.append(make_valid(Polygon(mm)))
    rings = sorted((filled(r) for r in rings), key=lambda r: -r.area)
    if not rings:
        return None
    outer = rings[0]
    holes = [r.exterior.coords for r in rings[1:] if outer.contains(r)]
    return orient(Polygon(outer.exterior, holes))


def seen_silhouette(
    scene: Scene, photo: int, tool: Tool, view: View | None = None
) -> Silhouette | None:
    """What a perfect eye sees of a tool: its label map's outline, laid on the sheet.

    ``view`` takes the place of the true camera.
    """
    region = mask_outline(scene.labels(photo) == tool.index + 1, view or scene.views[photo])
    if region is None:
        return None
    count = len(region.exterior.coords) - 1
    return Silhouette(
        f"S{tool.index + 1:02d}",
        scene.truth["photos"][photo]["file"],
        region,
        np.full(count, 0.1),
        1.0,
        np.ones(count),
        np.empty(0),
        touches_border=photo in tool.cut_in,
    )
