"""Small faults put into the code one at a time: do the tests of its room notice?

    python -m tests.mutation --sample 150 --seed 16 --json mutants.json

Faults are those of DeMillo, Lipton and Sayward ("Hints on test data selection", Computer 11-4,
1978): operators exchanged, numbers and signs changed, conditions turned. Each is tried in a forked
process of its own, against the tests that pass over its line, quickest first, to the first failure.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
