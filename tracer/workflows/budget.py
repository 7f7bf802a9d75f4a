"""One uncertainty budget per tool: what its edge's deviation is made of, and what would lower it.

The parts are independent standard deviations along the edge's normal, so their variances add
(JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 5.1.2). The print's scale
is a part that an outline's own deviation leaves out, since it moves all outlines of a lay alike;
for a size that a calliper could read it counts, so it is added here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.errors import TracerError, UsageError
from tracer.model.lay_calibration import of_lay
from tracer.model.outline import Cause, HeightSource, Outline
from tracer.project.outlines_file import OutlinesFile
from tracer.project.store import JobFolder
from tracer.workflows.job.job_files import opened_job

__all__ = ["COVERAGE", "BudgetLine", "ToolBudget", "budget_of_job", "tool_budget"]

#: coverage factor of the expanded uncertainty, about 95 % (JCGM 100:2008, 6.2)
COVERAGE = 2.0

_WORDS: dict[Cause, tuple[str, str]] = {
    Cause.SILHOUETTE: ("edge in the photo", "more light from all sides, a ground of another tone"),
    Cause.HEIGHT: ("height of the tool", "type its height, or take more photos"),
    Cause.EDGE_CLASS: ("height of its seen edge", "name its edge, or take more photos"),
    Cause.CAMERA: ("place of the camera", "more cards, spread round the tools"),
    Cause.SHEET: ("lens, plane, cards' places", "more cards, spread round the tools; a flat sheet"),
    Cause.PARALLAX: ("parallax that is left", "one more photo from above this tool"),
    Cause.SIGHT: ("slant of the scanner's sight", "type its height; photograph tall parts"),
    Cause.AGREEMENT: ("photos that disagree", "softer light; leave the worst photo out"),
    Cause.FEW: ("edges that few photos show", "one more photo from the side that hides it"),
}
_SCALE = ("size of the print", "measure a card with a calliper and type its size")


@dataclass(frozen=True)
class BudgetLine:
    """A part: words, standard deviation in mm, share of the variance, and what lowers it."""

    cause: str
    words: str
    sigma_mm: float
    share: float
    remedy: str


@dataclass(frozen=True)
class ToolBudget:
    """The budget of one tool, its largest part first.

    Attributes
    ----------
    combined_mm, expanded_mm
        Standard deviation of all parts together, and `COVERAGE` times it.
    bias_bound_mm
        One-sided bound beside them, where something may be hidden.
    """

    outline_id: str
    name: str
    height_mm: float
    height_source: HeightSource
    photos: int
    lines: tuple[BudgetLine, ...]
    combined_mm: float
    expanded_mm: float
    bias_bound_mm: float


def tool_budget(outline: Outline, scale_sigma: float | None) -> ToolBudget | None:
    """The budget of an outline; None where it was not traced, or by an earlier version.

    Parameters
    ----------
    scale_sigma
        Relative standard deviation of the print's size.
    """
    if not outline.budget_mm:
        return None
    parts = [(cause.value, *_WORDS[cause], sigma) for cause, sigma in outline.budget_mm.items()]
    if scale_sigma:
        parts.append(("print", *_SCALE, scale_sigma * lever_mm(outline)))
    variance = sum(sigma**2 for *_, sigma in parts)
    lines = [
        BudgetLine(cause, words, sigma, sigma**2 / variance if variance else 0.0, remedy)
        for cause, words, remedy, sigma in parts
    ]
    lines.sort(key=lambda part: -part.sigma_mm)
    combined = math.sqrt(variance)
    return ToolBudget(
        outline.outline_id,
        outline.name,
        outline.height_mm,
        outline.height_source,
        len(outline.photo_ids),
        tuple(lines),
        combined,
        COVERAGE * combined,
        outline.bias_bound_mm,
    )


def lever_mm(outline: Outline) -> float:
    """How far the edge moves per unit of relative scale, root mean square over the edge, in mm.

    A change of scale moves an edge point by its distance from the outline's own middle, taken
    along the normal: the tool's place on the sheet does not matter.

    Examples
    --------
    A disc moves by its radius:

    >>> from types import SimpleNamespace
    >>> from shapely.geometry import Point
    >>> disc = SimpleNamespace(region=Point(900, 500).buffer(20, quad_segs=64))
    >>> round(lever_mm(disc), 2)
    20.0
    """
    ring = shapely.get_coordinates(shapely.segmentize(outline.region.exterior, 1.0))
    step = np.diff(ring, axis=0)
    length = np.hypot(*step.T)
    middle = (ring[1:] + ring[:-1]) / 2
    normal = np.column_stack([step[:, 1], -step[:, 0]])[length > 0] / length[length > 0, None]
    away = middle[length > 0] - np.average(middle, axis=0, weights=length)
    along = np.einsum("ni,ni->n", away, normal)
    # whichever way the ring runs: the squares count
    return float(np.sqrt(np.average(along**2, weights=length[length > 0])))


def budgets(content: OutlinesFile, wanted: Iterable[str] = ()) -> list[ToolBudget]:
    """Budgets of a job's outlines, all of them or those whose id or name is wanted."""
    names = set(wanted)
    found = []
    for outline in content.outlines:
        if names and not names & {outline.outline_id, outline.name}:
            continue
        lay = of_lay(content.calibration, content.lay_of.get(outline.outline_id, 1))
        budget = tool_budget(outline, lay.scale_sigma)
        if budget is not None:
            found.append(budget)
    return found


def budget_of_job(folder: JobFolder, wanted: Iterable[str] = ()) -> list[ToolBudget]:
    """Budgets of a job's tools.

    Raises
    ------
    UsageError
        ``job-missing``; ``budget-unknown-tool`` where a wanted tool is not in the job.
    TracerError
        ``budget-none`` where the outlines were drawn or imported, or traced by an earlier version.
    """
    record, content, _ = opened_job(folder)
    if record is None:
        raise UsageError("job-missing", f"There is no job {folder.name} here.", "Trace first.")
    known = {word for o in content.outlines for word in (o.outline_id, o.name)}
    for word in wanted:
        if word not in known:
            raise UsageError(
                "budget-unknown-tool",
                f"The job {folder.name} has no tool {word}.",
                "Its ids and names stand in tools.csv and in the overlay picture.",
            )
    found = budgets(content, wanted)
    if not found:
        raise TracerError(
            "budget-none",
            f"Nothing is known of what the deviations in {folder.name} are made of.",
            "Trace its photos again.",
        )
    return found
