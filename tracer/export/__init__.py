"""Drawings to files (DXF, SVG, PDF), each read back and measured before it counts."""

from tracer.export.dxf.without_home import import_without_home

import_without_home()
