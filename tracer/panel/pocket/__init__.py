"""From an outline to the wall and depth of its pocket.

In: an outline with its uncertainty, a fit. Out: walls and depths in mm.
May import: rules.
"""
