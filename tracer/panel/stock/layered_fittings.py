"""Emblems and cable rooms of a panel in layers: depths and skins at the joints between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.geometry.rings import polygons_in
from tracer.model.fittings import BackCavity, Inlay
from tracer.model.panel import Panel
from tracer.model.report import Check, Severity

__all__ = ["fittings_at_joints"]

_EPS_MM = 1e-6


def fittings_at_joints(
    panel: Panel, joints_mm: Sequence[float], face_mm: float
) -> tuple[Panel, tuple[Check, ...]]:
    """The panel with emblems as deep as whole layers and cable rooms in whole layers.

    A hole is never shallower than asked and a skin never thinner.
    """
    checks: list[Check] = []
    inlays = []
    for inlay in panel.inlays:
        one = _inlay(inlay, joints_mm, face_mm)
        inlays.append(one)
        if one.depth_mm > inlay.depth_mm + _EPS_MM:
            checks.append(_deeper(one, inlay.depth_mm))
    cavities = []
    for cavity in panel.back_cavities:
        room = _room(cavity, joints_mm, face_mm)
        cavities.append(room or cavity)
        if room is None:
            checks.append(_no_layer(cavity, face_mm))
    return replace(panel, inlays=tuple(inlays), back_cavities=tuple(cavities)), tuple(checks)


def _inlay(inlay: Inlay, joints_mm: Sequence[float], face_mm: float) -> Inlay:
    depth = next((j for j in joints_mm if j >= inlay.depth_mm - _EPS_MM), joints_mm[-1])
    # each layer is cut right through: what stands inside comes loose
    loose = inlay.loose or tuple(
        orient(Polygon(ring)) for p in polygons_in(inlay.region) for ring in p.interiors
    )
    return replace(
        inlay, depth_mm=min(depth, face_mm), through=depth >= face_mm - _EPS_MM, loose=loose
    )


def _room(cavity: BackCavity, joints_mm: Sequence[float], face_mm: float) -> BackCavity | None:
    skin = next((j for j in joints_mm if cavity.skin_mm - _EPS_MM <= j < face_mm - _EPS_MM), None)
    return None if skin is None else replace(cavity, skin_mm=skin)


def _deeper(inlay: Inlay, asked_mm: float) -> Check:
    return Check(
        slug="depth-by-layer",
        severity=Severity.NOTE,
        sentence=f"{inlay.inlay_id} ({inlay.name}) becomes {inlay.depth_mm:g} mm deep instead of "
        f"{asked_mm:g} mm: depths are made of whole layers.",
        remedy="Thinner sheets in the plan (thicknesses_mm) come closer; a part-depth machine "
        "keeps the depth.",
        subject_id=inlay.inlay_id,
        value=inlay.depth_mm,
        limit=asked_mm,
        unit="mm",
    )


def _no_layer(cavity: BackCavity, face_mm: float) -> Check:
    return Check(
        slug="cavity-not-in-layers",
        severity=Severity.FAIL,
        sentence=f"{cavity.cavity_id} ({cavity.name}): no layer of the face, {face_mm:g} mm, lies "
        f"wholly behind a skin of {cavity.skin_mm:g} mm, so no room can be cut for it.",
        remedy="Name thinner sheets as thicknesses_mm of the face, or use a machine that cuts to "
        "a depth.",
        subject_id=cavity.cavity_id,
        value=cavity.skin_mm,
        limit=face_mm,
        unit="mm",
    )
