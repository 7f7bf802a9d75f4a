"""Segmentation: from a photo and its plane to one silhouette per tool."""

from tracer.segmentation.evidence import RegionEvidence
from tracer.segmentation.options import Correction, Frame, Mark, SegmentOptions, Way
from tracer.segmentation.silhouettes import segment

__all__ = ["Correction", "Frame", "Mark", "RegionEvidence", "SegmentOptions", "Way", "segment"]
