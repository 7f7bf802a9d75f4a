"""The panel in pieces that stock and machine allow: layers, seams, sheets, the bill.

In: a panel. Out: sheets to cut, what to buy.
May import: rules, pocket, layout, fittings, packing.
"""
