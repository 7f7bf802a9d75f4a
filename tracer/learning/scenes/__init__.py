"""Random lays as numbers: tools, sheets, benches, light, camera.

In: a random generator. Out: the renderer's records.
May import: nothing of this room.
"""
