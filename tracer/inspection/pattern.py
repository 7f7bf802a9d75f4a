"""A panel's drawing as the pattern that a photo is searched for.

Walls: points on the rims of the openings (pocket with its notches) and on the panel's own rim, each
with the direction that leaves the face. Outside an opening lies face, inside it anything else: a
floor, a gap's shadow, a tool. This holds full or empty, in any light, and so carries registration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import polygons_in
from tracer.model.panel import Panel, PanelPocket, PlyRole

__all__ = [
    "RIM",
    "Pattern",
    "beside_pockets",
    "floor_rgb",
    "is_pale",
    "linear_rgb",
    "opening_of",
    "panel_pattern",
]

Array = NDArray[np.float64]

#: owner of points on the panel's rim
RIM = -1
#: tone (logarithm of linear light) of a colour that is still white or grey
PALE = 0.4
WALL_STEP_MM, RIM_STEP_MM = 4.0, 6.0
#: where the face's colour is read: a grid this wide, this far from openings and rim
FACE_STEP_MM, FACE_OFF_MM = 9.0, 5.0


@dataclass(frozen=True, eq=False)
class Pattern:
    """Points of a panel's drawing, ``panel_mm``.

    Attributes
    ----------
    walls_mm, away
        (N, 2) points and unit directions that leave the face.
    owners
        (N,) index of the pocket, or `RIM`.
    relief_mm
        (N,) how far the pocket goes down or its tool stands out, whichever is more.
    face_mm
        (M, 2) points of bare face.
    size_mm
        Width and height of the panel's box.
    """

    walls_mm: Array
    away: Array
    owners: NDArray[np.intp]
    relief_mm: Array
    face_mm: Array
    size_mm: tuple[float, float]

    def mirrored(self) -> Pattern:
        """As seen from behind: x -> W - x."""
        flip = np.array([-1.0, 1.0])
        shift = np.array([self.size_mm[0], 0.0])
        return Pattern(
            self.walls_mm * flip + shift, self.away * flip, self.owners, self.relief_mm,
            self.face_mm * flip + shift, self.size_mm,
        )  # fmt: skip

    def turned(self) -> Pattern:
        """Upside down."""
        size = np.array(self.size_mm)
        return Pattern(
            size - self.walls_mm,
            -self.away,
            self.owners,
            self.relief_mm,
            size - self.face_mm,
            self.size_mm,
        )


def opening_of(pocket: PanelPocket) -> BaseGeometry:
    """All that is cut for one tool: the pocket and its notches."""
    return shapely.union_all([pocket.region, *(n.region for n in pocket.notches)])


def linear_rgb(rgb: tuple[int, int, int]) -> Array:
    """sRGB 0..255 to linear light (3,) (IEC 61966-2-1).

    >>> linear_rgb((255, 128, 0)).round(3)
    array([1.   , 0.216, 0.   ])
    """
    c = np.array(rgb, np.float64) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def is_pale(rgb: tuple[int, int, int]) -> bool:
    """Whether a colour is white or grey, so that bare steel looks like it.

    >>> is_pale((232, 232, 226)), is_pale((240, 210, 20))
    (True, False)
    """
    log = np.log(linear_rgb(rgb) + 1e-3)
    return bool(np.linalg.norm(log - log.mean()) < PALE)


def floor_rgb(panel: Panel, pocket: PanelPocket) -> tuple[int, int, int]:
    """Colour of what shows at the bottom of an empty pocket."""
    if pocket.floor_insert is not None:
        return pocket.floor_insert.stock.rgb
    if panel.shows_base(pocket):
        return next(p.stock.rgb for p in panel.plies if p.role is PlyRole.BASE)
    return next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)


def beside_pockets(panel: Panel) -> list[BaseGeometry]:
    """Regions of the face that are not bare for another reason than a pocket."""
    regions: list[BaseGeometry] = [k.region for k in panel.keep_outs]
    regions += [i.region for i in panel.inlays]
    regions += [shape for m in panel.mounts for shape in (m.body, m.opening) if shape is not None]
    return regions + [shape for ledge in panel.ledges for shape in (ledge.region, ledge.room)]


def panel_pattern(panel: Panel) -> Pattern:
    """The pattern of a panel.

    Points on the rim of one opening that lie in another are left out: nothing is seen there.
    """
    openings = [opening_of(p) for p in panel.pockets]
    openings += [k.region for k in panel.keep_outs if k.hole]
    everything = shapely.union_all(openings) if openings else Polygon()
    points, away, owners = [], [], []
    for index, opening in enumerate(openings):
        for piece in polygons_in(opening):
            at, inward = _ring_points(piece, WALL_STEP_MM)
            seen = ~shapely.contains_xy(everything, *(at - 0.5 * inward).T)
            points.append(at[seen])
            away.append(inward[seen])
            owners.append(np.full(int(seen.sum()), index, np.intp))
    at, inward = _ring_points(panel.shape, RIM_STEP_MM)
    points.append(at)
    away.append(-inward)
    owners.append(np.full(len(at), RIM, np.intp))
    return Pattern(
        np.concatenate(points),
        np.concatenate(away),
        np.concatenate(owners),
        _relief_mm(panel, np.concatenate(owners)),
        _bare_face(panel, everything),
        panel.size_mm,
    )


def _relief_mm(panel: Panel, owners: NDArray[np.intp]) -> Array:
    """Depth of the pockets, or how far their tools stand out; of the rim the thickness."""
    by_pocket = [max(p.cut_depth_mm, min(max(p.proud_mm, 0.0), 200.0)) for p in panel.pockets]
    holes = [panel.thickness_mm()] * sum(k.hole for k in panel.keep_outs)
    return np.array([*by_pocket, *holes, panel.thickness_mm()])[owners]  # the rim is -1: the last


def _ring_points(polygon: Polygon, step_mm: float) -> tuple[Array, Array]:
    """Points (N, 2) along a polygon's outer ring, and directions (N, 2) into it."""
    ring = shapely.geometry.polygon.orient(polygon).exterior
    count = max(int(ring.length / step_mm), 8)
    at = (np.arange(count) + 0.5) * ring.length / count
    before = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at - 1.0) % ring.length))
    after = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at + 1.0) % ring.length))
    along = after - before
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    return points, np.column_stack([-along[:, 1], along[:, 0]])


def _bare_face(panel: Panel, openings: BaseGeometry) -> Array:
    x0, y0, x1, y1 = panel.shape.bounds
    x, y = np.meshgrid(
        np.arange(x0 + FACE_STEP_MM / 2, x1, FACE_STEP_MM),
        np.arange(y0 + FACE_STEP_MM / 2, y1, FACE_STEP_MM),
    )
    taken = shapely.union_all([*beside_pockets(panel), openings])
    bare = panel.shape.buffer(-FACE_OFF_MM).difference(taken.buffer(FACE_OFF_MM))
    inside = shapely.contains_xy(bare, x.ravel(), y.ravel())
    return np.asarray(np.column_stack([x.ravel(), y.ravel()])[inside], np.float64)
