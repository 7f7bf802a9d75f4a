"""Layouts made from nothing.

In: pockets, a plan, rules. Out: the best different layouts with their figures.
May import: rules, layout, fittings, stock, packing.

``pieces`` and ``setting`` lead from pockets to a task; ``blocks`` and ``rows`` set rows, ``lines``
lines pieces up where rows do not fit; ``score`` holds the soft rules; ``search`` and ``layouts``
(the entry) look for the best; ``shortfall`` says what would help where nothing fits.
"""
