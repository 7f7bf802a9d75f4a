"""What any reader sees in a cutting file, and how much it may hold.

In: figures counted by a reader. Out: `ReadFile`.
May import: nothing of this room.
"""
