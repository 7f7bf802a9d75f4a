"""Measure tracing on scene folders with exact truth.

    python -m tests.benchmarks.scenes FOLDER ... [--photos first|all] [--typed | --untyped]
        [--only TEXT] [--exact masks|all] [--option OPTION]
        [--worst FOLDER] [--json FILE] [--markdown FILE] [--compare OLD.json]

Every folder with a ``truth.json`` at or under the given ones is traced by the real command line
and scored. ``--exact masks`` takes the silhouettes from the label maps, ``--exact all`` cameras and
heights too: what calibration adds, and what one photo allows. Times are ratios to decoding the
same JPEG.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Collection, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPoint, Polygon

from tests.benchmarks.ideal import compensated, found_view
from tests.benchmarks.run import Run, decode_seconds, trace
from tests.benchmarks.scoring import LayScore, camera_scale, score_lay
from tests.benchmarks.tables import differences, markdown, summary, table
from tests.benchmarks.truth import BOARD_MM, Scene, find_scenes
from tests.benchmarks.usable import named_tools, worst, write_worst
from tracer.geometry.compare import Motion
from tracer.model.view import View
from tracer.photos import read_photo


def measure_exact(scene: Scene, exact: str) -> dict[str, Any]:
    """Score one scene with exact silhouettes, in this process."""
    views = [scene.views[0] if exact == "all" else found_view(scene)]
    results = compensated(scene, views[0], typed=exact != "all")
    score = score_lay(results, scene.tools, range(1), [Motion(), *_starts(scene)])
    return {**record(scene, score), **_camera(scene, views)}


def _starts(scene: Scene) -> list[Motion]:
    return [scene.to_first_card(number) for number in scene.card_sizes_mm] or [Motion()]


def measure(
    scene: Scene,
    photos: Sequence[Path],
    *,
    typed: bool,
    more: Sequence[str],
    pictures: dict[tuple[str, str], tuple[Scene, Polygon, Polygon]] | None = None,
) -> dict[str, Any]:
    """Trace and score one scene; a JSON-ready record.

    ``pictures`` receives by scene and tool the found and the true outline in the truth's frame.
    """
    run = trace(scene, photos, typed=typed, more=more)
    expected = [] if scene.expected == "error" else scene.tools  # nothing to be found there
    score = score_lay(run.results, expected, range(len(photos)), _starts(scene))
    if pictures is not None:
        back = _back(score.alignment)
        found = {r.outline_id: back.region(r.region) for r in run.results}
        true = {t.name: t.outline for t in scene.tools}
        pictures |= {
            (scene.name, t.name): (scene, found[t.outline_id], true[t.name]) for t in score.tools
        }
    decode, decode_cpu = np.sum([decode_seconds(p) for p in photos], axis=0).tolist()
    return {
        **record(scene, score, named_tools(run.outlines.get("checks", []))),
        "photos": len(photos),
        "exit_code": run.exit_code,
        "verdict": verdict(scene, run, score),
        "message": run.refusal or next(reversed(run.stderr.strip().splitlines()), ""),
        "checks": sorted({c["slug"] for c in run.outlines.get("checks", [])}),
        "time_ratio": run.seconds / decode,
        "cpu_ratio": run.cpu_seconds / decode_cpu,
        "seconds": run.seconds,
        "peak_mb": run.peak_mb,
        "steps": run.report.get("steps", {}),
        **_camera(scene, run.views()),
    }


def _back(motion: Motion) -> Motion:
    """The motion that undoes a rigid one."""
    x, y = Motion(-motion.angle_rad).points([motion.shift_mm])[0]
    return Motion(-motion.angle_rad, (float(-x), float(-y)))


def record(scene: Scene, score: LayScore, named: Collection[str] = frozenset()) -> dict[str, Any]:
    """A score as JSON; ``named`` are ids of tools that the run named as in doubt."""
    return {
        "scene": scene.name,
        "expected": scene.expected,
        "counted": score.counted,
        "found": len(score.tools),
        "missed": list(score.missed),
        "merged": list(score.merged),
        "invented": list(score.invented),
        "outline_scale_error": score.scale_error,
        "tools": [
            {**asdict(t), "usable_alone": t.usable_alone, "named": t.outline_id in named}
            for t in score.tools
        ],
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


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.scenes")
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--photos", choices=["first", "all"], default="first")
    parser.add_argument("--typed", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--untyped", action="store_false", dest="typed")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--markdown", type=Path, help="write the figures as a table for the docs")
    parser.add_argument("--compare", type=Path)
    parser.add_argument("--only", default="", help="scenes whose name holds this text")
    parser.add_argument("--exact", choices=["masks", "all"], help="take these from the truth")
    parser.add_argument("--option", action="append", default=[], help="passed on to trace")
    parser.add_argument("--worst", type=Path, help="folder for pictures of the worst three")
    chosen = parser.parse_args(arguments)
    records = []
    outlines: dict[tuple[str, str], tuple[Scene, Polygon, Polygon]] = {}
    for scene in find_scenes(chosen.folders):
        if chosen.only not in scene.name:
            continue
        photos = scene.photos if chosen.photos == "all" else scene.photos[:1]
        if chosen.exact:
            if scene.expected == "ok":
                records.append(measure_exact(scene, chosen.exact))
        else:
            records.append(
                measure(
                    scene,
                    photos,
                    typed=chosen.typed,
                    more=chosen.option,
                    pictures=outlines if chosen.worst else None,
                )
            )
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
    if chosen.worst:
        for file in write_worst(
            chosen.worst, worst(records), outlines, lambda p: read_photo(p).pixels
        ):
            print(f"written {file}")
    if chosen.compare:
        print(differences(json.loads(chosen.compare.read_text("utf-8")), result))
    if chosen.markdown:
        chosen.markdown.write_text(markdown(records, result["summary"]), "utf-8")
    if chosen.json:
        chosen.json.write_text(json.dumps(result, indent=1), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
