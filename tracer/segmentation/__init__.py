"""Segmentation: from a photo and its plane to one silhouette per tool."""

from tracer.segmentation.silhouettes import Company, Witness, look, segment
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.options import Correction, Frame, Mark, SegmentOptions, Way

__all__ = [
    "Company",
    "Correction",
    "Frame",
    "Mark",
    "RegionEvidence",
    "SegmentOptions",
    "Way",
    "Witness",
    "look",
    "segment",
]
