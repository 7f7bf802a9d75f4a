"""A job's inputs edited by hand, one value at a time, undone and done again.

In: a path and a value. Out: the job folder, changed in one atomic step.
May import: tracing, job, arranging, swapping.
"""
