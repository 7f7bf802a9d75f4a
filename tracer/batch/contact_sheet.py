"""``lays.html``: the overlays of all lays on one page, those that want a look first."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from urllib.parse import quote

from tracer.batch.order import LayRow, State
from tracer.batch.table import by_doubt

__all__ = ["contact_sheet_html"]

_STYLE = """
:root { color-scheme: light dark; font: 16px/1.45 system-ui, sans-serif; }
body { margin: 1.2rem; }
h1 { font-size: 1.4rem; margin: 0 0 .2rem; }
.lays { display: grid; gap: 1rem; grid-template-columns: repeat(auto-fill, minmax(20rem, 1fr));
        list-style: none; padding: 0; }
.lays > li { border: 1px solid color-mix(in srgb, currentColor 25%, transparent);
             border-radius: .5rem; padding: .7rem; }
.lays h2 { font-size: 1.05rem; margin: 0 0 .3rem; overflow-wrap: anywhere; }
.lays p { margin: .3rem 0; }
.lays img { width: 100%; border-radius: .3rem; }
.state { font-weight: 600; }
"""


def contact_sheet_html(rows: Sequence[LayRow]) -> bytes:
    """The page; pictures are linked by paths from the folder of results."""
    done = sum(r.state in (State.DONE, State.KEPT) for r in rows)
    failed = sum(r.state is State.FAILED for r in rows)
    waiting = len(rows) - done - failed
    count = f"{done} done, {failed} failed" + (f", {waiting} waiting" if waiting else "")
    items = "\n".join(_item(row) for row in by_doubt(rows))
    return (
        "<!doctype html>\n"
        '<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{count}</title><style>{_STYLE}</style></head>\n"
        f"<body><h1>{len(rows)} lays: {count}</h1>\n"
        "<p>Those that want a look come first: failed, then by failed checks, findings and"
        " uncertainty.</p>\n"
        f'<ul class="lays">\n{items}\n</ul></body></html>\n'
    ).encode()


def _item(row: LayRow) -> str:
    facts = []
    if row.state in (State.DONE, State.KEPT):
        facts = [f"{row.tools} tools", f"{row.findings} findings"]
        if row.worst_sigma_mm is not None:
            facts.append(f"at worst +/- {row.worst_sigma_mm:.2f} mm")
    words = {
        State.DONE: "done",
        State.KEPT: "done earlier",
        State.FAILED: "failed",
        State.WAITING: "waiting",
    }
    sentence = f"<p>{escape(row.sentence)}</p>" if row.sentence else ""
    pictures = "".join(_picture(row.name, picture) for picture in row.pictures)
    state = ", ".join([f'<span class="state">{words[row.state]}</span>', *facts])
    return f"<li><h2>{escape(row.name)}</h2><p>{state}</p>{sentence}{pictures}</li>"


def _picture(name: str, picture: str) -> str:
    address = quote(f"{name}.job/{picture}")
    shown = escape(f"{name}: {picture.rpartition('/')[2]}")
    return f'<a href="{address}"><img loading="lazy" src="{address}" alt="{shown}"></a>'
