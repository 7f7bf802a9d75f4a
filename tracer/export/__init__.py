"""Drawings to files (DXF, SVG, PDF), each read back and measured before it counts."""
