"""What campaigns change in their process is changed back, for the tests that come after them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tracer.workflows.tracing.cache import StageCache


@pytest.fixture(scope="module", autouse=True)
def stages_remember_as_before() -> Iterator[None]:
    """`tests.campaigns.workshop.installed` lets all runs of a process share results."""
    own = StageCache.get
    yield
    StageCache.get = own  # type: ignore[method-assign]
