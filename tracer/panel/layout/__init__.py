"""Every tool to its place in the bay.

In: pockets, a plan. Out: placements.
May import: rules.
"""
