"""Parts of the way replaced by the truth, to see where errors come from.

``cameras`` and ``masks`` exact: what compensation alone leaves. Masks exact, cameras found from
the photo: what calibration adds.
"""

from __future__ import annotations

from tests.benchmarks.scoring import Result
from tests.benchmarks.truth import Scene, seen_silhouette
from tracer.calibration import CardSizes, calibrate
from tracer.model.view import View
from tracer.parallax.single_view.single import compensate, edge_model_for
from tracer.photos import read_photo

__all__ = ["compensated", "found_view"]


def found_view(scene: Scene) -> View:
    """The camera of the first photo as calibration finds it, the cards' printed size typed."""
    sizes = CardSizes(own_mm=dict(scene.card_sizes_mm))
    return calibrate([read_photo(scene.photos[0])], card_sizes=sizes).views[0]


def compensated(scene: Scene, view: View, *, typed: bool) -> list[Result]:
    """Outlines from the first photo's exact masks; typed heights, or the true ones."""
    results = []
    for tool in scene.tools:
        seen = seen_silhouette(scene, 0, tool, view) if 0 in tool.visible_in else None
        if seen is not None:
            height = scene.typed_heights_mm.get(tool.name) if typed else tool.height_mm
            edge = edge_model_for(seen, view, height or 0.0)
            region = compensate(seen, view, height_mm=height or 0.0, edge=edge).region
            source = "typed" if height else "assumed"
            results.append(Result(tool.name, tool.name, region, height, source))
    return results
