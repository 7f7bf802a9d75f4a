"""Photos to outlines, in memory.

In: decoded photos, settings. Out: a `Trace`.
May import: nothing of this room.
"""
