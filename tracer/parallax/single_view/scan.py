"""From the silhouette in a flatbed scan to the outline seen from straight above.

A scanner's line of sight leans across the carriage's travel only, and only where a lens brings a
wide line on a short sensor. It looks from below: the side of an upright wall shows where it faces
the glass's middle line, and a flank that bulges seems nearer to that line. At the height z, where
the line of sight leans by ``tan``, an edge moves by ``z tan (n . e)``, e the direction across.

Neither e nor the middle line nor the lens is known from the file. So nothing is moved, and what may
be is stated: ``tan`` lies anywhere within `STEEPEST` on either side, the edge at any height up to
the part's, and e along the picture's rows or its columns. With rectangular distributions (JCGM
100:2008, 4.3.7: a bound a counts as a / sqrt 3) the standard deviation is

    STEEPEST / sqrt 3  *  h / sqrt 3  *  sqrt((n_x^2 + n_y^2) / 2)  =  STEEPEST h / sqrt 18.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from tracer.model.calibration import SigmaMap
from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity
from tracer.model.scan_map import ScanMap
from tracer.model.silhouette import Silhouette
from tracer.parallax.shared.uncertainty import HEIGHT_SIGMA_MM, budget_of
from tracer.parallax.single_view.outlined import outlined
from tracer.parallax.single_view.single import refuse_negative

__all__ = ["MOST_HEIGHT_MM", "STEEPEST", "outline_from_scan", "sight_sigma_mm"]

#: tangent at which the outermost sensor cell looks: half of 216 mm of glass over a folded path of
#: 300 mm (common practice, no source); lens arrays look straight up
STEEPEST = 0.36
#: what stands higher is out of focus in most scanners (common practice, no source: lens arrays are
#: sharp over 1 to 3 mm, lenses over tens of mm), and leans by more than a pocket may be wide
MOST_HEIGHT_MM = 10.0


def sight_sigma_mm(height_mm: float | None, height_sigma_mm: float = 0.0) -> float:
    """Standard deviation of an edge, mm, that the scanner's unknown line of sight leaves.

    Parameters
    ----------
    height_mm
        Of the part; None: anything up to `MOST_HEIGHT_MM`, as likely low as high.
    height_sigma_mm
        Standard deviation of the height.

    Examples
    --------
    >>> round(sight_sigma_mm(3.0), 3), round(sight_sigma_mm(None), 3)
    (0.255, 0.49)
    """
    square = unknown = MOST_HEIGHT_MM**2 / 3
    if height_mm is not None:  # a height for all says no less than none
        square = min(height_mm**2 + height_sigma_mm**2, max(height_mm**2, unknown))
    return STEEPEST * math.sqrt(square / 18)


def outline_from_scan(
    silhouette: Silhouette,
    view: ScanMap,
    *,
    outline_id: str,
    name: str,
    height_mm: float | None,
    height_source: HeightSource,
    sigma_map: SigmaMap,
) -> tuple[Outline, tuple[Check, ...]]:
    """Outline of one part from a scan, with its findings.

    Parameters
    ----------
    height_mm
        Highest point above the glass; None where nobody said.
    sigma_map
        Standard deviation of the map from scan to glass.

    Raises
    ------
    TracerError
        ``height-negative``.
    """
    checks: list[Check] = []
    source = HeightSource.ASSUMED if height_mm is None else height_source
    if height_mm is None:
        checks.append(_height_unknown(silhouette, outline_id, name))
    else:
        refuse_negative(silhouette, height_mm)
        if height_mm > MOST_HEIGHT_MM:
            checks.append(_too_tall(silhouette, outline_id, name, height_mm))
    ring = shapely.get_coordinates(silhouette.region.exterior)[:-1]
    height_sigma = HEIGHT_SIGMA_MM[source]
    seen = silhouette.sigma_mm if len(silhouette.sigma_mm) else np.zeros(len(ring))
    leaning = sight_sigma_mm(height_mm, height_sigma)
    terms = {
        Cause.SILHOUETTE: np.asarray(seen, np.float64),
        Cause.SIGHT: np.full(len(ring), leaning),
        Cause.SHEET: sigma_map.at(ring),
    }
    spread = np.sqrt(np.sum(np.square(list(terms.values())), axis=0))
    return outlined(
        silhouette,
        view,
        silhouette.region,
        spread,
        outline_id=outline_id,
        name=name,
        height_mm=height_mm,
        height_source=source,
        height_sigma_mm=height_sigma,
        method=EdgeModel.THIN,
        budget_mm=budget_of(terms, ring, silhouette.region),
    ), tuple(checks)


def _height_unknown(silhouette: Silhouette, outline_id: str, name: str) -> Check:
    where = silhouette.region.representative_point()
    return Check(
        "height-unknown",
        Severity.WARN,
        f"No height is known for {name}: it was taken as flat on the glass, and across the "
        f"scanner's travel its edge may be out by up to {10 * STEEPEST:.1f} mm for every 10 mm of "
        "its height.",
        "Type its height in the tool list and run again.",
        subject_id=outline_id,
        value=10 * STEEPEST,
        unit="mm per 10 mm",
        where_mm=(float(where.x), float(where.y)),
    )


def _too_tall(silhouette: Silhouette, outline_id: str, name: str, height_mm: float) -> Check:
    where = silhouette.region.representative_point()
    return Check(
        "scan-part-too-tall",
        Severity.FAIL,
        f"{name} is {height_mm:g} mm high: a scan is true for parts of up to "
        f"{MOST_HEIGHT_MM:g} mm only, and this outline is not fit for cutting.",
        "Photograph it with cards around it instead; if its height is wrong, mend it in the tool "
        "list.",
        subject_id=outline_id,
        value=height_mm,
        limit=MOST_HEIGHT_MM,
        unit="mm",
        where_mm=(float(where.x), float(where.y)),
    )
