"""Photos of finished panels to what is missing.

In: jobs with panels, photos. Out: states of all pockets, pictures, a line in ``inspections.csv``.
May import: nothing of this room.
"""
