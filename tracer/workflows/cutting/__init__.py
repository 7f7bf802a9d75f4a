"""Outlines or a panel to cutting files.

In: outlines or a panel, a machine. Out: files read back and measured.
May import: tracing, job, arranging.
"""
