"""Photos to cameras: scale cards found, lens, poses and cards solved together, trust stated."""

from tracer.calibration.calibrate import calibrate
from tracer.calibration.findings import check_outlines
from tracer.model.card import CardSizes

__all__ = ["CardSizes", "calibrate", "check_outlines"]
