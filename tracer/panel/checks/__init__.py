"""Everything about a panel that can be held against a limit.

In: a panel. Out: `Check` values.
May import: rules, pocket, layout, fittings, stock.
"""
