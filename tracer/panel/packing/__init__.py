"""Shapes placed without overlap: in a bay, or on a sheet.

In: pieces with their turns, an area, what is blocked. Out: exact places.
May import: nothing of this room.

``task`` says what is to be placed and tests places exactly; ``grid`` tells overlaps at all places
of a raster at once; ``overlap`` searches on it; ``settle`` makes its places exact; ``dense`` looks
for the shortest strip.
"""
