"""Photographs of tools to true outlines in millimetres and to cutting files for foam.

From Python::

    traced = tracer.trace("photo.jpg", options=tracer.TraceOptions(default_height_mm=10.0))
    for outline in traced.outlines:
        print(outline.name, outline.region.area, outline.sigma_mm)
    files = tracer.cut(traced, "router", material="pe").files

`tracer.api` holds the five functions `trace`, `arrange`, `cut`, `swap` and `check`. Each stage is a
function of its own: `tracer.calibration.calibrate`, `tracer.segmentation.segment`,
`tracer.parallax.single_view.single.outline_from_silhouette`,
`tracer.parallax.multi_view.views.solve_views`, `tracer.panel.build.build_panel`,
`tracer.export.dxf.write.dxf_bytes`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tracer.api import ArrangedPanel, ToolSwap, arrange, check, cut, swap, trace
    from tracer.calibration import CardSizes
    from tracer.errors import TracerError
    from tracer.export.examine.file import Examined
    from tracer.model.machine import Machine
    from tracer.model.outline import Outline
    from tracer.model.panel import Bay
    from tracer.model.panel_plan import PanelPlan
    from tracer.model.tool_list import ToolRow
    from tracer.photos import read_photo
    from tracer.workflows.cutting.cut import CutOptions, CutResult
    from tracer.workflows.cutting.cut_panel import PanelCut
    from tracer.workflows.swapping.swap import SwapOptions
    from tracer.workflows.tracing.trace import Trace, TraceOptions

__version__ = "0.2.0"
__all__ = [
    "ArrangedPanel",
    "Bay",
    "CardSizes",
    "CutOptions",
    "CutResult",
    "Examined",
    "Machine",
    "Outline",
    "PanelCut",
    "PanelPlan",
    "SwapOptions",
    "ToolRow",
    "ToolSwap",
    "Trace",
    "TraceOptions",
    "TracerError",
    "__version__",
    "arrange",
    "check",
    "cut",
    "read_photo",
    "swap",
    "trace",
]

#: public name -> where it lives; imported when asked for, so that `import tracer` costs nothing
_HOMES = {
    "ArrangedPanel": "tracer.api",
    "Bay": "tracer.model.panel",
    "CardSizes": "tracer.calibration",
    "CutOptions": "tracer.workflows.cutting.cut",
    "CutResult": "tracer.workflows.cutting.cut",
    "Examined": "tracer.export.examine.file",
    "Machine": "tracer.model.machine",
    "Outline": "tracer.model.outline",
    "PanelCut": "tracer.workflows.cutting.cut_panel",
    "PanelPlan": "tracer.model.panel_plan",
    "SwapOptions": "tracer.workflows.swapping.swap",
    "ToolRow": "tracer.model.tool_list",
    "ToolSwap": "tracer.api",
    "Trace": "tracer.workflows.tracing.trace",
    "TraceOptions": "tracer.workflows.tracing.trace",
    "TracerError": "tracer.errors",
    "arrange": "tracer.api",
    "check": "tracer.api",
    "cut": "tracer.api",
    "read_photo": "tracer.photos",
    "swap": "tracer.api",
    "trace": "tracer.api",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'tracer' has no attribute {name!r}")
