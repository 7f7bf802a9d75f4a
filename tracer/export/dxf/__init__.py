"""Drawings as DXF, written and read back.

In: `Drawing` or bytes. Out: bytes or `ReadFile`.
May import: drawing, reading.
"""
