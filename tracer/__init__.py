"""Photographs of tools to true outlines in millimetres and to cutting files for foam.

From Python:

    photos = [tracer.read_photo(Path("photo.jpg"))]
    done = tracer.trace(photos, options=tracer.TraceOptions(default_height_mm=10.0))
    for outline in done.outlines:
        print(outline.name, outline.region.area, outline.sigma_mm)

Each stage is a function of its own: `tracer.calibration.calibrate`, `tracer.segmentation.segment`,
`tracer.parallax.single_view.single.outline_from_silhouette`,
`tracer.parallax.multi_view.views.solve_views`, `tracer.panel.build.build_panel`,
`tracer.export.dxf.write.dxf_bytes`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tracer.errors import TracerError
    from tracer.photos import read_photo
    from tracer.workflows.tracing.trace import Trace, TraceOptions, trace

__version__ = "0.1.0"
__all__ = ["Trace", "TraceOptions", "TracerError", "__version__", "read_photo", "trace"]

#: public name -> where it lives; imported when asked for, so that `import tracer` costs nothing
_HOMES = {
    "Trace": "tracer.workflows.tracing.trace",
    "TraceOptions": "tracer.workflows.tracing.trace",
    "TracerError": "tracer.errors",
    "read_photo": "tracer.photos",
    "trace": "tracer.workflows.tracing.trace",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'tracer' has no attribute {name!r}")
