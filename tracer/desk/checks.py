"""Checks as JSON for the page."""

from __future__ import annotations

from typing import Any

from tracer.model.report import Check

__all__ = ["check_record"]


def check_record(check: Check) -> dict[str, Any]:
    """A check as JSON."""
    return {
        "slug": check.slug,
        "severity": check.severity.value,
        "sentence": check.sentence,
        "remedy": check.remedy,
        "subject": check.subject_id,
        "value": check.value,
        "limit": check.limit,
        "unit": check.unit,
        "where_mm": check.where_mm,
    }
