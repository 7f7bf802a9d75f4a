"""Machine profiles and materials, and what a machine cannot do.

In: TOML files, a drawing. Out: `Machine`, checks, times.
May import: drawing, dxf.
"""
