"""What is added to placed pockets: wells, finger notches, labels, screws.

In: placed pockets. Out: openings per slab, labels, fixings.
May import: rules, layout.
"""
