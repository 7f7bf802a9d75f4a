"""Measure the shipped model on lays rendered for the purpose.

``python -m tracer.learning.training.score`` does it.

Reports the overlap of tool cells, in all and by class of difficulty, and for tools above a height
the error that the learned height of the seen edge leaves in the outline, beside the usual edge
model's, in mm along the outline's normal. A reliability table tells how honest the stated standard
deviation is.
"""

from __future__ import annotations

import argparse
from itertools import count, islice, pairwise

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from tracer.learning.renderer.effects import photograph
from tracer.learning.renderer.ray_caster import Renderer, Tiles
from tracer.learning.scenes.lays import Lay, random_lay
from tracer.segmentation.decide.answers import Answers, load_network

__all__ = ["edge_errors", "has_tall", "main", "usual_share"]

Array = NDArray[np.float64]
FIRST_SEED = 777_000_000  # apart from every seed used in training
NEAR_MM = 2.5
FAR_SHARE, NEAR_SHARE = 0.5, 0.3  # the usual edge model: facing away from, towards the foot point


def usual_share(rho_mm: Array) -> Array:
    """Share of the height at which an edge is seen, nothing known of the shape."""
    return np.where(rho_mm > 0, FAR_SHARE, NEAR_SHARE)


def edge_errors(
    lay: Lay, tiles: Tiles, heights: NDArray[np.float32], answers: Answers
) -> dict[int, Array]:
    """Per tool: (N, 6) rho, true share, learned share, its sigma, height mm, camera height mm."""
    scene = lay.scene
    size, step = int(scene["size"]), float(scene["step"])
    cam = scene["cam"].astype(float)
    near, share, ids = (np.asarray(v)[0] for v in (tiles.near_mm, tiles.fraction, tiles.tool))
    found: dict[int, Array] = {}
    for k in np.unique(ids[ids > 0]):
        if lay.tools[k - 1]["kind"] != 0:
            continue
        mine = (ids == k).astype(np.float32)
        if np.concatenate([mine[0], mine[-1], mine[:, 0], mine[:, -1]]).any():
            continue  # cut by the tile
        away = cv2.distanceTransform((mine == 0).astype(np.uint8), cv2.DIST_L2, 5)
        others = ((ids > 0) & (ids != k)).astype(np.uint8)
        alone = cv2.dilate(others, np.ones((9, 9), np.uint8)) == 0
        use = (share >= 0) & (near >= 0) & (near < NEAR_MM) & (away < 4) & (away > 0) & alone
        rows, cols = np.nonzero(use)
        if len(rows) < 30:
            continue
        soft = cv2.GaussianBlur(mine, (0, 0), 2.5)
        down = cv2.Sobel(soft, cv2.CV_32F, 0, 1)[rows, cols]
        right = cv2.Sobel(soft, cv2.CV_32F, 1, 0)[rows, cols]
        outward = np.column_stack([-right, down]) / np.maximum(np.hypot(right, down), 1e-9)[:, None]
        x = (cols - size / 2) * step - cam[0]
        y = (size / 2 - rows) * step - cam[1]
        rho = outward[:, 0] * x + outward[:, 1] * y
        ones = np.ones(len(rows))
        found[int(k)] = np.column_stack(
            [
                rho,
                share[rows, cols],
                answers.height[rows, cols],
                answers.height_sigma[rows, cols],
                ones * heights[k - 1],
                ones * cam[2],
            ]
        ).astype(float)
    return found


def has_tall(lay: Lay, above_mm: float) -> bool:
    """Whether some tool reaches above ``above_mm`` and lies well inside the tile."""
    half = 0.4 * float(lay.scene["size"]) * float(lay.scene["step"])
    for t in lay.tools:
        reach = float(np.hypot(*(t["hi"] - t["lo"])[:2])) / 2
        middle = (t["hi"] + t["lo"])[:2] / 2
        x = t["ox"] + t["c"] * middle[0] - t["s"] * middle[1]
        y = t["oy"] + t["s"] * middle[0] + t["c"] * middle[1]
        if t["kind"] == 0 and t["hi"][2] > above_mm and max(abs(x), abs(y)) + reach < half:
            return True
    return above_mm <= 0


def _summary(tools: list[Array], low_mm: float, high_mm: float) -> str:
    picked = [t for t in tools if low_mm < t[0, 4] <= high_mm]
    if not picked:
        return f"{low_mm:.0f} to {high_mm:.0f} mm: none"
    per_tool = []
    for t in picked:
        scale = np.abs(t[:, 0]) * t[:, 4] / t[:, 5]
        usual = np.abs(usual_share(t[:, 0]) - t[:, 1]) * scale
        learned = np.abs(t[:, 2] - t[:, 1]) * scale
        per_tool.append(
            [usual.mean(), np.percentile(usual, 95), learned.mean(), np.percentile(learned, 95)]
        )
    m = np.median(per_tool, axis=0)
    return (
        f"{low_mm:.0f} to {high_mm:.0f} mm, {len(picked)} tools: usual {m[0]:.2f} / {m[1]:.2f} mm, "
        f"learned {m[2]:.2f} / {m[3]:.2f} mm (median over tools of mean / p95)"
    )


def main(argv: list[str] | None = None) -> None:
    """Render, photograph, answer, and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--lays", type=int, default=80)
    ask.add_argument("--size", type=int, default=384)
    ask.add_argument("--taller", type=float, default=0.0, help="only lays with a whole tool above")
    ask.add_argument("--gpu", action="store_true")
    a = ask.parse_args(argv)
    renderer, network = Renderer(a.gpu), load_network()
    torch.manual_seed(FIRST_SEED)
    cells: dict[str, Array] = {}
    tools: list[Array] = []
    drawn = (random_lay(np.random.default_rng([FIRST_SEED, n]), a.size) for n in count())
    for n, lay in enumerate(islice((x for x in drawn if has_tall(x, a.taller)), a.lays)):
        tiles, heights = renderer.render([lay])
        light = torch.as_tensor(tiles.light).permute(0, 3, 1, 2).contiguous()
        picture = photograph(light)[0].permute(1, 2, 0).cpu().numpy()
        tiles = Tiles(*(torch.as_tensor(v).cpu().numpy() for v in vars(tiles).values()))
        cam = lay.scene["cam"].astype(np.float32)
        x = np.arange(a.size, dtype=np.float32) - a.size / 2
        offset = np.stack(np.broadcast_arrays(x[None] - cam[0], -x[:, None] - cam[1]), -1) / cam[2]
        levels = np.round(picture * 255).astype(np.uint8)
        answers = network.answer(levels, np.ascontiguousarray(offset))
        want, got = tiles.cover[0, ..., 0] >= 0.5, answers.fine > 0.5
        kinds = np.concatenate([[0], lay.tools["kind"]])
        clutter = (kinds[tiles.tool[0]] == 2).astype(np.uint8)  # beyond the sheet: no matter
        judged = cv2.dilate(clutter, np.ones((7, 7), np.uint8)) == 0
        judged = judged.repeat(2, axis=0).repeat(2, axis=1)
        counts = [(m & judged).sum() for m in (want & got, want | got, got & ~want, want & ~got)]
        cells[lay.theme] = cells.get(lay.theme, 0.0) + np.array(counts, float)
        tools += edge_errors(lay, tiles, heights, answers).values()
        if n % 10 == 9 or n + 1 == a.lays:
            print(f"\n{n + 1} lays, {len(tools)} whole tools", flush=True)
            _print(tools, cells)


def _print(tools: list[Array], cells: dict[str, Array]) -> None:
    print("tool cells: IoU, invented and lost as shares of what is or was said to be tool")
    for name, counts in [("all", np.sum(list(cells.values()), axis=0)), *sorted(cells.items())]:
        both, either, over, under = counts / max(counts[1], 1)
        print(f"  {name}: {both:.3f} {over:.3f} {under:.3f} ({either * counts[1]:.0f} cells)")
    for low, high in ((0, 15), (15, 45), (45, 300)):
        print(_summary(tools, low, high))
    rows = np.vstack([t for t in tools if t[0, 4] > 15] or [np.zeros((0, 6))])
    print("stated sigma of the share: points, rms error over stated")
    for low_s, high_s in pairwise([0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.7]):
        m = (rows[:, 3] > low_s) & (rows[:, 3] <= high_s)
        if m.any():
            z = (rows[m, 2] - rows[m, 1]) / rows[m, 3]
            print(
                f"  {low_s:.2f} to {high_s:.2f}: {m.sum()}, {np.sqrt(np.mean(z * z)):.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
