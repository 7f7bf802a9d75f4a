"""One tool swapped for another; every other byte of the job stays.

In: a job folder, photos of the new tool. Out: the job after the swap, files for the change.
May import: tracing, job, arranging, cutting.
"""
