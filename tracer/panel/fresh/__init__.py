"""Layouts made from nothing.

In: pockets, a plan, rules. Out: the best different layouts with their figures.
May import: rules, layout, fittings, stock.

Modules import in this order: ``task`` (pieces, bay, exact tests), ``grid`` (overlaps on a
raster), ``overlap`` and ``settle`` (parting pieces), ``blocks`` and ``rows``, ``lines``,
``dense``, ``score``, ``search``, ``layouts`` (the entry), ``pieces`` and ``setting`` (from
pockets to a task).
"""
