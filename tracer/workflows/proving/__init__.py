"""A trial in real foam: one sheet, and what readings on it say of phone, printer and machine.

In: sizes, photos and readings that a person typed. Out: sheet, files, kept corrections.
May import: tracing, job, cutting.
"""
