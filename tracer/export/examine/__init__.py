"""What a machine would trip over in a file, ours or anybody's.

In: bytes of a DXF or SVG file. Out: `Check` values.
May import: reading, dxf, svg.
"""
