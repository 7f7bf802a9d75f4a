"""A stand-in for the process that does lays, for tests of what happens around it.

What a lay does is said by its ``height``: ``ok``, ``crash`` (dies by itself), ``killed`` (ended
by a signal from outside, the first two times), ``slow``, ``large``, ``defect``.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from pathlib import Path


def main() -> None:
    """Serve like `tracer.batch.child`; every attempt leaves a line in ``attempts``."""
    for line in sys.stdin:
        request = json.loads(line)
        order, out = request["order"], Path(request["out"])
        with (out / "attempts").open("a") as stream:
            stream.write(f"{order['name']} {os.getpid()}\n")
        before = (out / "attempts").read_text().split().count(order["name"])
        what = order["height"] or "ok"
        print(json.dumps({"step": "at it"}), flush=True)
        if what == "crash":
            os.abort()
        if what == "killed" and before <= 2:
            os.kill(os.getpid(), signal.SIGKILL)
        if what == "slow":
            time.sleep(60)
        if what == "large":
            held = bytearray(900_000_000)
            held[::4096] = b"x" * len(held[::4096])
            time.sleep(60)
        time.sleep(0.02)
        row = {"name": order["name"], "state": "done", "tools": 1, "digest": "d"}
        print(json.dumps({"row": row}), flush=True)


if __name__ == "__main__":
    main()
