"""``python -m tracer``: the same as the console command."""

from __future__ import annotations

import gc
import os
import sys

from tracer.interruption import ending, heed_signals, ignore_signals


def main() -> None:
    """Run the command line and leave with its exit code."""
    try:
        heed_signals()
        code = _run()
        ignore_signals()
    except KeyboardInterrupt:  # before the command line was there, or after it was done
        ignore_signals()
        print(ending.last_words(), file=sys.stderr)
        code = ending.exit_code
    except Exception as error:  # the only net of this kind: whatever it catches is ours to mend
        ignore_signals()
        code = _defect(error)
    sys.exit(code)


def _defect(error: Exception) -> int:
    try:
        from tracer.cli.defect import report_defect
    except Exception:  # not even that much of the program is there
        raise error from None
    return report_defect(error, sys.argv[1:])


def _run() -> int:
    # The matrices here are small: threads inside the algebra library cost more than they give.
    # It reads this once, when numpy is first imported; what the person has set is left alone.
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    # Modules, drawings and files read are many small objects that stay: to look through them for
    # lost cycles at every 700 new ones, as is usual, takes a twentieth of the whole time.
    gc.set_threshold(50_000)
    from tracer.cli.app import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    main()
