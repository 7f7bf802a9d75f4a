"""The page's own scripts run by themselves, without a page: one function, arguments as JSON."""

from __future__ import annotations

import json
import shutil
import subprocess
from typing import Any

import pytest

from tests.desk.test_texts import STATIC

__all__ = ["call", "needs_node"]

needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="no node to run scripts with")


def call(module: str, body: str, argument: Any) -> Any:
    """What ``body`` (an expression of ``arg`` and of the module's exports, ``m``) gives as JSON."""
    script = (
        f"import * as m from {json.dumps((STATIC / module).as_uri())};\n"
        "let text = ''; process.stdin.setEncoding('utf8');\n"
        "for await (const part of process.stdin) text += part;\n"
        f"const arg = JSON.parse(text);\nconsole.log(JSON.stringify({body}));"
    )
    done = subprocess.run(
        ["node", "--input-type=module", "-e", script],
        input=json.dumps(argument),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
