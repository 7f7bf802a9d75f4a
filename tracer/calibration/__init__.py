"""Photos to cameras: scale cards found, lens, poses and cards solved together, trust stated."""

from tracer.calibration.calibrate import calibrate, solve_lay
from tracer.calibration.detect import detect_cards, grey_of
from tracer.calibration.findings import check_outlines
from tracer.calibration.optics import optics_of
from tracer.calibration.scan import calibrate_scan
from tracer.model.card import CardSizes

__all__ = [
    "CardSizes",
    "calibrate",
    "calibrate_scan",
    "check_outlines",
    "detect_cards",
    "grey_of",
    "optics_of",
    "solve_lay",
]
