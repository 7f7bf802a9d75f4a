"""What a job folder holds: its runs, what is kept and what is made again.

In: a job folder, photos. Out: the folder, changed in one atomic step.
May import: tracing.
"""
