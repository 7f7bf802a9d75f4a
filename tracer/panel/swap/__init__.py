"""One pocket of a finished panel swapped; every other value stays the very object.

In: a panel, a new outline. Out: the panel after, what becomes of the old pocket.
May import: rules, pocket, layout, fittings, stock, checks, build.
"""
