"""Outlines to a panel: pockets with clearance and depth, placement, checks."""
