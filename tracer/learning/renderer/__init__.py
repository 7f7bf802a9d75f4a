"""The ray caster and the camera behind it.

In: lays. Out: tiles with exact truth.
May import: scenes.
"""
