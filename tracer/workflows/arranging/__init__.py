"""Outlines of a job to its panel, and outlines from the shelf.

In: a job folder, a plan. Out: ``panel.json``, ``panel.toml``, pictures.
May import: tracing, job, check.
"""
