"""A calibrated photo to silhouettes: which pixels are tool, and where exactly the edge runs."""
