"""Measure tracing on scene folders with exact truth.

    python -m tests.benchmarks.scenes FOLDER ... [--photos first|all] [--typed | --untyped]
        [--json FILE] [--compare OLD.json] [--only TEXT] [--exact masks|all] [--option OPTION]

Every folder with a ``truth.json`` at or under the given ones is traced by the real command line
and scored. ``--exact masks`` takes the silhouettes from the label maps, ``--exact all`` cameras and
heights too: what calibration adds, and what one photo allows. Times are ratios to decoding the
same JPEG.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPoint

from tests.benchmarks.ideal import compensated, found_view
from tests.benchmarks.run import Run, decode_seconds, trace
from tests.benchmarks.scoring import LayScore, camera_scale, score_lay
from tests.benchmarks.truth import BOARD_MM, Scene, find_scenes
from tracer.geometry.compare import Motion
from tracer.model.view import View

CLASSES: dict[str, Callable[[float], bool]] = {
    "all": lambda h: True,
    "low": lambda h: h <= 25,
    "middle": lambda h: 25 < h <= 45,
    "tall": lambda h: h > 45,
}


def measure_exact(scene: Scene, exact: str) -> dict[str, Any]:
    """Score one scene with exact silhouettes, in this process."""
    views = [scene.views[0] if exact == "all" else found_view(scene)]
    results = compensated(scene, views[0], typed=exact != "all")
    score = score_lay(results, scene.tools, range(1), [Motion(), *_starts(scene)])
    return {**record(scene, score), **_camera(scene, views)}


def _starts(scene: Scene) -> list[Motion]:
    return [scene.to_first_card(number) for number in scene.card_sizes_mm] or [Motion()]


def measure(
    scene: Scene, photos: Sequence[Path], *, typed: bool, more: Sequence[str]
) -> dict[str, Any]:
    """Trace and score one scene; a JSON-ready record."""
    run = trace(scene, photos, typed=typed, more=more)
    expected = [] if scene.expected == "error" else scene.tools  # nothing to be found there
    score = score_lay(run.results, expected, range(len(photos)), _starts(scene))
    decode = sum(decode_seconds(p) for p in photos)
    return {
        **record(scene, score),
        "photos": len(photos),
        "exit_code": run.exit_code,
        "verdict": verdict(scene, run, score),
        "message": run.refusal or next(reversed(run.stderr.strip().splitlines()), ""),
        "checks": sorted({c["slug"] for c in run.outlines.get("checks", [])}),
        "time_ratio": run.seconds / decode,
        "seconds": run.seconds,
        "peak_mb": run.peak_mb,
        "steps": run.report.get("steps", {}),
        **_camera(scene, run.views()),
    }


def record(scene: Scene, score: LayScore) -> dict[str, Any]:
    """A score as JSON."""
    return {
        "scene": scene.name,
        "expected": scene.expected,
        "counted": score.counted,
        "found": len(score.tools),
        "missed": list(score.missed),
        "merged": list(score.merged),
        "invented": list(score.invented),
        "outline_scale_error": score.scale_error,
        "tools": [asdict(t) for t in score.tools],
    }


def verdict(scene: Scene, run: Run, score: LayScore) -> str:
    """``ok``, or what went wrong with the run as a whole."""
    if run.crashed:
        return "crashed"
    if scene.expected == "error":
        return "ok" if run.refusal else "not refused"
    if run.exit_code not in (0, 3):
        empty = scene.expected == "no tools" and bool(run.refusal)
        return "ok" if empty else "refused"
    return "ok" if score.counted == 0 or run.results else "empty"


def _camera(scene: Scene, views: Sequence[View]) -> dict[str, Any]:
    """Calibration against the true cameras, over the cards' hull; worst photo."""
    if not views or not scene.truth["cards"]:
        return {}
    corners = []
    for card in scene.truth["cards"]:
        size = np.array(BOARD_MM) * [card["scale_x"], card["scale_y"]]
        local = np.array([[0, 0], [1, 0], [1, -1], [0, -1]]) * size
        turn = Motion(np.radians(card["angle_deg"]), tuple(card["origin_mm"]))
        corners.append(turn.points(local))
    hull = shapely.convex_hull(MultiPoint(np.vstack(corners)))
    fits = [camera_scale(f, t, hull) for f, t in zip(views, scene.views, strict=False)]
    return {
        "camera_scale_error": max((s for s, _ in fits), key=abs),
        "camera_rest_mm": max(r for _, r in fits),
        "camera_height_error_mm": max(
            (f.height_mm - t.height_mm for f, t in zip(views, scene.views, strict=False)), key=abs
        ),
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
    for key in ("time_ratio", "peak_mb"):
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
        f"{'max':>6} {'cam %':>7} {'rest':>5} {'lay %':>7} {'x dec':>6} {'MB':>5}  verdict"
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
            f"{_cell(r.get('time_ratio'), '6.0f')} {_cell(r.get('peak_mb'), '5.0f')}  "
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
        f"time over decoding {_pair(total['time_ratio'], 1, '.0f')}, "
        f"peak MB {_pair(total['peak_mb'], 1, '.0f')}; heights {total['height_sources']}; "
        f"mean distance within sigma for {_cell(_percent(total['mean_within_sigma']), '.0f')} %"
    )
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


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.scenes")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--photos", choices=["first", "all"], default="first")
    parser.add_argument("--typed", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--untyped", action="store_false", dest="typed")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--compare", type=Path)
    parser.add_argument("--only", default="", help="scenes whose name holds this text")
    parser.add_argument("--exact", choices=["masks", "all"], help="take these from the truth")
    parser.add_argument("--option", action="append", default=[], help="passed on to trace")
    chosen = parser.parse_args(arguments)
    records = []
    for scene in find_scenes(chosen.folders):
        if chosen.only not in scene.name:
            continue
        photos = scene.photos if chosen.photos == "all" else scene.photos[:1]
        if chosen.exact:
            if scene.expected == "ok":
                records.append(measure_exact(scene, chosen.exact))
        else:
            records.append(measure(scene, photos, typed=chosen.typed, more=chosen.option))
        print(f"measured {scene.name}", flush=True)
    if not records:
        parser.error("no scene folder found")
    result = {
        "photos": chosen.photos,
        "typed": chosen.typed,
        "exact": chosen.exact,
        "scenes": records,
        "summary": summary(records),
    }
    print(table(records, result["summary"]))
    if chosen.compare:
        print(differences(json.loads(chosen.compare.read_text("utf-8")), result))
    if chosen.json:
        chosen.json.write_text(json.dumps(result, indent=1), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
