"""Every number that a person or a file may give, with its range and unit: one table.

The readers of options, panel plans, machine profiles, tool lists and job files refuse what lies
outside; ``docs/reference/ranges.md`` is made from this table. A range is where a value makes sense
at all on a workshop's bench: what is unwise within it is a finding, not a refusal.
Work is bounded by these ranges: nothing is computed, drawn or allocated before they are held.
"""

from tracer.ranges.bounds import COUNTS, LONGEST_TEXT, MOST_BYTES, checked_option
from tracer.ranges.fittings import FITTING_RULES, FITTINGS, KEPT_FITTINGS
from tracer.ranges.kept import JOB
from tracer.ranges.span import Range
from tracer.ranges.typed import OPTIONS, PLAN, PROFILE, RULES, TOOL_LIST
from tracer.spelling import shown

__all__ = [
    "COUNTS",
    "FITTINGS",
    "FITTING_RULES",
    "JOB",
    "KEPT_FITTINGS",
    "LONGEST_TEXT",
    "MOST_BYTES",
    "OPTIONS",
    "PLAN",
    "PROFILE",
    "RULES",
    "TOOL_LIST",
    "Range",
    "checked_option",
    "shown",
]
