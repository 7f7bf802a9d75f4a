"""Settings of every test run: workers share the cores, tests before a browser are marked."""

from __future__ import annotations

import os

import cv2
import pytest
from hypothesis import settings

# cores are shared: how long an example takes says nothing. The same examples every time, so that a
# change is judged by what it changed; ``--hypothesis-profile=wander`` draws others
settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("wander", deadline=None, print_blob=True)
settings.load_profile("steady")

if os.environ.get("PYTEST_XDIST_WORKER"):
    # one worker per core: threads inside each would only wait for one another
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    cv2.setNumThreads(1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if not {"browser", "any_page"}.isdisjoint(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)
