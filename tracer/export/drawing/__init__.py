"""Outlines, pockets and coupons to a `Drawing`.

In: values in mm. Out: `Drawing`, its order of cutting, its lettering.
May import: nothing of this room.
"""
