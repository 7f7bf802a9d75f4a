"""Figures over many scenes, for people, for the docs and for comparing two runs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from tests.benchmarks.spread import spread_lines
from tests.benchmarks.usable import usable_lines

__all__ = ["differences", "markdown", "summary", "table"]

CLASSES: dict[str, Callable[[float], bool]] = {
    "all": lambda h: True,
    "low": lambda h: h <= 25,
    "middle": lambda h: 25 < h <= 45,
    "tall": lambda h: h > 45,
}


def summary(records: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Figures over all scenes."""
    tools = [t for r in records for t in r["tools"]]
    counted = sum(r["counted"] for r in records)
    wrong = {key: sum(len(r[key]) for r in records) for key in ("missed", "merged", "invented")}
    found: dict[str, Any] = {
        "counted": counted,
        "found": len(tools),
        **wrong,
        "wrong_share": sum(wrong.values()) / counted if counted else None,
        "verdicts_not_ok": [r["scene"] for r in records if r.get("verdict", "ok") != "ok"],
    }
    for name, belongs in CLASSES.items():
        chosen = [t for t in tools if belongs(t["true_height_mm"])]
        found[name] = {"tools": len(chosen)} | {
            key: _median([t["distance"][key] for t in chosen])
            for key in ("mean_mm", "p95_mm", "max_mm", "signed_mm")
        }
    for key in ("outline_scale_error", "camera_scale_error", "camera_rest_mm"):
        values = [abs(r[key]) for r in records if r.get(key) is not None]
        found[key] = {"median": _median(values), "worst": max(values, default=None)}
    for key in ("time_ratio", "cpu_ratio", "peak_mb"):
        values = [r[key] for r in records if r.get(key) is not None]
        found[key] = {"median": _median(values), "worst": max(values, default=None)}
    found["height_sources"] = {
        source: sum(t["height_source"] == source for t in tools)
        for source in sorted({t["height_source"] for t in tools})
    }
    covered = [t for t in tools if t["sigma_mm"]]
    found["mean_within_sigma"] = (
        float(np.mean([t["distance"]["mean_mm"] <= t["sigma_mm"] for t in covered]))
        if covered
        else None
    )
    return found


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def table(records: Sequence[dict[str, Any]], total: dict[str, Any]) -> str:
    """The figures for people."""
    lines = [
        f"{'scene':26} {'tools':>7} {'miss':>4} {'merg':>4} {'inv':>4} {'mean':>6} {'p95':>6} "
        f"{'max':>6} {'cam %':>7} {'rest':>5} {'lay %':>7} {'x dec':>6} "
        f"{'x cpu':>6} {'MB':>5}  verdict"
    ]
    for r in records:
        d = [t["distance"] for t in r["tools"]]
        lines.append(
            f"{r['scene'][:26]:26} {r['found']:3}/{r['counted']:<3} {len(r['missed']):4} "
            f"{len(r['merged']):4} {len(r['invented']):4} "
            f"{_cell(_median([x['mean_mm'] for x in d]), '6.2f')} "
            f"{_cell(_median([x['p95_mm'] for x in d]), '6.2f')} "
            f"{_cell(max((x['max_mm'] for x in d), default=None), '6.1f')} "
            f"{_cell(_percent(r.get('camera_scale_error')), '+7.3f')} "
            f"{_cell(r.get('camera_rest_mm'), '5.2f')} "
            f"{_cell(_percent(r['outline_scale_error']), '+7.3f')} "
            f"{_cell(r.get('time_ratio'), '6.0f')} {_cell(r.get('cpu_ratio'), '6.0f')} "
            f"{_cell(r.get('peak_mb'), '5.0f')}  "
            f"{r.get('verdict', '')}"
        )
        if r.get("verdict", "ok") != "ok" or r["expected"] == "error":
            lines.append(f"    {r.get('message', '')}")
        for key in ("missed", "merged", "invented"):
            if r[key]:
                lines.append(f"    {key}: {', '.join(r[key])}")
    lines.append("")
    for name in CLASSES:
        c = total[name]
        lines.append(
            f"{name:8} {c['tools']:4} tools: median of mean {_cell(c['mean_mm'], '.2f')}, "
            f"of p95 {_cell(c['p95_mm'], '.2f')}, of max {_cell(c['max_mm'], '.2f')}, "
            f"signed {_cell(c['signed_mm'], '+.2f')} mm"
        )
    lines.append(
        f"found {total['found']} of {total['counted']}; missed {total['missed']}, "
        f"merged {total['merged']}, invented {total['invented']}"
    )
    lines.append(
        f"scale error %, median and worst: camera {_pair(total['camera_scale_error'], 100)}, "
        f"outlines {_pair(total['outline_scale_error'], 100)}"
    )
    lines.append(
        f"over decoding: time {_pair(total['time_ratio'], 1, '.0f')}, "
        f"processor {_pair(total['cpu_ratio'], 1, '.0f')}; "
        f"peak MB {_pair(total['peak_mb'], 1, '.0f')}; heights {total['height_sources']}; "
        f"mean distance within sigma for {_cell(_percent(total['mean_within_sigma']), '.0f')} %"
    )
    lines += usable_lines(records)
    lines += spread_lines(records)
    steps = _steps(records)
    if steps:
        lines.append("steps, median share of the run's time:")
        lines += [f"  {name:32} {100 * share:5.1f} %" for name, share in steps]
    return "\n".join(lines)


def _steps(records: Sequence[dict[str, Any]]) -> list[tuple[str, float]]:
    shares: dict[str, list[float]] = {}
    for r in records:
        for name, seconds in (r.get("steps") or {}).items():
            shares.setdefault(name, []).append(seconds / r["seconds"])
    return [(name, float(np.median(values))) for name, values in shares.items()]


def differences(old: dict[str, Any], new: dict[str, Any]) -> str:
    """Scene by scene: what changed between two runs."""
    before = {r["scene"]: r for r in old["scenes"]}
    lines = [f"{'scene':26} {'found':>9} {'wrong':>9} {'mean mm':>15} {'p95 mm':>15} {'time':>13}"]
    for r in new["scenes"]:
        o = before.get(r["scene"])
        if o is None:
            lines.append(f"{r['scene'][:26]:26} new")
            continue

        def wrong(x: dict[str, Any]) -> int:
            return sum(len(x[k]) for k in ("missed", "merged", "invented"))

        def middle(x: dict[str, Any], key: str) -> float | None:
            return _median([t["distance"][key] for t in x["tools"]])

        cells = [f"{o['found']:>4}>{r['found']:<4}", f"{wrong(o):>4}>{wrong(r):<4}"]
        for key in ("mean_mm", "p95_mm"):
            cells.append(f"{_cell(middle(o, key), '7.2f')}>{_cell(middle(r, key), '7.2f')}")
        cells.append(f"{_cell(o.get('time_ratio'), '6.0f')}>{_cell(r.get('time_ratio'), '6.0f')}")
        lines.append(f"{r['scene'][:26]:26} " + " ".join(cells))
    for name in CLASSES:
        a, b = old["summary"][name], new["summary"][name]
        lines.append(
            f"{name:8} mean {_cell(a['mean_mm'], '.2f')} > {_cell(b['mean_mm'], '.2f')}, "
            f"p95 {_cell(a['p95_mm'], '.2f')} > {_cell(b['p95_mm'], '.2f')}"
        )
    return "\n".join(lines)


def _percent(value: float | None) -> float | None:
    return None if value is None else 100 * value


def _cell(value: float | None, form: str) -> str:
    width = form.lstrip("+").split(".")[0]
    return format(value, form) if value is not None else format("-", f">{width or 1}")


def _pair(values: dict[str, float | None], factor: float, form: str = ".3f") -> str:
    return " / ".join(
        _cell(None if values[k] is None else values[k] * factor, form) for k in ("median", "worst")
    )


def markdown(records: Sequence[dict[str, Any]], total: dict[str, Any]) -> str:
    """The figures as Markdown tables."""
    lines = [
        "| tools | number | mean | 95th percentile | largest | signed |",
        "|---|---|---|---|---|---|",
    ]
    names = {"all": "all", "low": "up to 25 mm", "middle": "25 to 45 mm", "tall": "above 45 mm"}
    for name, words in names.items():
        c = total[name]
        cells = [_cell(c[k], ".2f") for k in ("mean_mm", "p95_mm", "max_mm")]
        cells.append(_cell(c["signed_mm"], "+.2f"))
        lines.append(f"| {words} | {c['tools']} | {' | '.join(cells)} |")
    lines += [
        "",
        "| scene | found | missed | merged | invented | mean mm | p95 mm | scale % | time | MB |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in records:
        d = [t["distance"] for t in r["tools"]]
        cells = [
            f"{r['found']} of {r['counted']}",
            *(str(len(r[k])) for k in ("missed", "merged", "invented")),
            _cell(_median([x["mean_mm"] for x in d]), ".2f"),
            _cell(_median([x["p95_mm"] for x in d]), ".2f"),
            _cell(_percent(r.get("camera_scale_error")), "+.3f"),
            _cell(r.get("time_ratio"), ".0f"),
            _cell(r.get("peak_mb"), ".0f"),
        ]
        lines.append(f"| {r['scene']} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
