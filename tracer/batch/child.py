"""``python -m tracer.batch.child``: a process that does one lay after the other.

One JSON object a line on standard input per lay, ``{"order", "out"}``; on standard output
``{"step": name}`` as the work goes on and ``{"row": row}`` at its end. It ends with its parent:
when standard input closes it stops at once, in the middle of a lay too, which leaves the job
folder as it was.
"""

from __future__ import annotations

import gc
import json
import os
import queue
import signal
import sys
import threading
import traceback
from typing import Any, TextIO

__all__ = ["main"]


def main() -> None:
    """Serve until standard input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
    gc.set_threshold(50_000)
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints must not stand between the answers
    requests: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests,), daemon=True).start()
    while True:
        _answer(json.loads(requests.get()), answers)


def _listen(requests: queue.SimpleQueue[str]) -> None:
    for line in sys.stdin:
        requests.put(line)
    os._exit(0)


def _answer(request: dict[str, Any], answers: TextIO) -> None:
    from tracer.batch.order import LayRow, State, order_from_record, row_record
    from tracer.batch.work import do_lay, keep_row
    from tracer.errors import TracerError

    order = order_from_record(request["order"])

    def tell(step: str) -> None:
        print(json.dumps({"step": step}), file=answers, flush=True)

    try:
        row = do_lay(order, request["out"], tell)
    except TracerError as error:  # the row itself could not be kept
        row = LayRow(name=order.name, state=State.FAILED, sentence=str(error), slug=error.slug)
    except Exception as error:  # a defect of ours stops this lay alone; it is told as one
        row = LayRow(
            name=order.name,
            state=State.FAILED,
            sentence=_defect(error),
            slug="lay-stopped-by-defect",
        )
        traceback.print_exc()
        keep_row(request["out"], row)
    print(json.dumps({"row": row_record(row)}), file=answers, flush=True)


def _defect(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}, line {last.lineno}"  # noqa: PTH119
    return (
        f"A mistake in tracer itself stopped this lay ({type(error).__name__} in {place})."
        " Trace it alone and report what is printed; the other lays are not touched by it."
    )


if __name__ == "__main__":
    main()
