"""Every relative link in the Markdown files leads somewhere, anchors included."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

LINK = re.compile(r"(?<!\!)\[[^\]]*\]\(([^)\s]+)\)|!\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#+\s+(.*)$", re.M)


def anchors(text: str) -> set[str]:
    """Anchors of the headings as the usual renderers make them."""
    plain = (re.sub(r"[`*_\[\]()]", "", h).strip().lower() for h in HEADING.findall(text))
    return {re.sub(r"[^\w\- ]", "", h).replace(" ", "-") for h in plain}


def main() -> int:
    """Report each broken link; 1 when there is one."""
    listed = subprocess.run(
        ["git", "ls-files", "*.md"], capture_output=True, text=True, check=True
    ).stdout.split()
    broken = []
    for name in listed:
        text = re.sub(r"```.*?```", "", Path(name).read_text("utf-8"), flags=re.S)
        for match in LINK.finditer(text):
            target = match[1] or match[2]
            if re.match(r"[a-z]+:", target):
                continue
            path, _, anchor = target.partition("#")
            file = (Path(name).parent / path) if path else Path(name)
            if not file.exists():
                broken.append(f"{name}: {target}: no such file")
            elif anchor and file.suffix == ".md" and anchor not in anchors(file.read_text("utf-8")):
                broken.append(f"{name}: {target}: no such heading")
    print("\n".join(broken) or f"links in {len(listed)} files lead somewhere")
    return bool(broken)


if __name__ == "__main__":
    sys.exit(main())
