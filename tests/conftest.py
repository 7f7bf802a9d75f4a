"""Settings of every test run: workers share the cores, tests before a browser are marked."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator

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


if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # a run in the background has inherited that; what answers Ctrl-C is tested all the same
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def settings_of_nobody(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Iterator[None]:
    """What a person, or another test, proved of printers and phones moves no outline here."""
    folder = tmp_path_factory.getbasetemp() / "no-settings"
    monkeypatch.setenv("TRACER_SETTINGS", str(folder))
    yield
    shutil.rmtree(folder, ignore_errors=True)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if not {"browser", "any_page"}.isdisjoint(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)
