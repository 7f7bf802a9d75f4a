"""Print the set-up commands of the README: each fenced block marked ``sh setup``, on one line."""

from __future__ import annotations

import re
import sys
from pathlib import Path

for block in re.findall(r"```sh setup\n(.*?)```", Path(sys.argv[1]).read_text("utf-8"), re.S):
    print(" ".join(line.strip().rstrip("\\").strip() for line in block.strip().splitlines()))
