"""``python -m tracer``: the same as the console command."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and leave with its exit code."""
    from tracer.cli.app import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
