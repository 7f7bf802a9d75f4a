"""A process that ends at one of the steps by which a job folder is changed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tracer.project import store

__all__ = ["killed_at"]


class _Killed(BaseException):
    """The process ends here: no handler may clean up."""


def killed_at(when: int, act: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> bool:
    """Do something and stop at step ``when`` (from 0) that touches the disk, and at all after it.

    Returns whether it was stopped: False where it has fewer steps.
    """
    steps = 0

    def counted(function: Callable[..., Any]) -> Callable[..., Any]:
        def wrapper(*args: Any, **kwargs: Any) -> Any:
            nonlocal steps
            steps += 1
            if steps > when:
                raise _Killed
            return function(*args, **kwargs)

        return wrapper

    with monkeypatch.context() as patch:
        patch.setattr(store, "write_flushed", counted(store.write_flushed))
        patch.setattr(store, "replace_patiently", counted(store.replace_patiently))
        patch.setattr(Path, "unlink", counted(Path.unlink))
        patch.setattr(shutil, "rmtree", counted(shutil.rmtree))
        try:
            act()
        except _Killed:
            return True
    return False
