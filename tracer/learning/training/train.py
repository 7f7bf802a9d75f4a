"""Train the model on pictures rendered on the way: ``python -m tracer.learning.training.train``.

Lays are drawn by worker processes, rendered and photographed on the GPU (the second one where there
are two) into a pool, whose oldest tiles give way to new ones; each use varies turn, mirror,
exposure, colour and noise a little. Everything is drawn from the seeds given; two runs give models
of the same score, not the same bytes.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing as mp
import time
from collections.abc import Iterator
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

import torch
from torch import Tensor
from torch.nn import functional as f

from tracer.learning.network.net import SilhouetteNet, grown
from tracer.learning.network.targets import Targets, directions, loss, symmetry
from tracer.learning.renderer.ray_caster import Renderer
from tracer.learning.scenes.lays import Lay
from tracer.learning.scenes.themes import THEMES
from tracer.learning.training.averaging import Average, mixed, refresh
from tracer.learning.training.drawing import draw_in_parallel, start_workers
from tracer.learning.training.pool import Apart, Between, Pool, rendered

__all__ = ["beyond_rim", "main", "validate", "varied"]


def stacked(picture: Tensor, field: Tensor) -> Tensor:
    """The network's input (N, 14, S, S) of pictures (N, 3, 2S, 2S) and ways (N, 2, S, S)."""
    return torch.cat([f.pixel_unshuffle(picture, 2), field], 1)


def varied(
    picture: Tensor, field: Tensor, t: Targets, g: torch.Generator
) -> tuple[Tensor, Targets, Tensor]:
    """One random symmetry for the batch, and now and then a corner outside the photo.

    Returns the input, the targets, and where the photo shows the sheet (N, S, S).
    """
    turn, mirror = (
        int(torch.randint(4, (1,), generator=g)),
        bool(torch.randint(2, (1,), generator=g)),
    )
    maps = [
        symmetry(v, turn, mirror)
        for v in (t.fine, t.contact, t.cable, t.rim, t.fraction, t.weight, t.tall)
    ]
    picture, field = symmetry(picture, turn, mirror), directions(field, turn, mirror)
    out = Targets(*(m.contiguous() for m in maps))  # one layout: compiled once

    def draw(*shape: int, low: float, high: float) -> Tensor:
        return (torch.rand(shape, generator=g) * (high - low) + low).to(picture.device)

    n = len(picture)
    picture = picture * draw(n, 3, 1, 1, low=0.93, high=1.07)
    picture = picture * draw(n, 1, 1, 1, low=0.75, high=1.25)
    picture = picture.clamp(1e-3, 1) ** draw(n, 1, 1, 1, low=0.8, high=1.25)
    picture = picture + torch.randn_like(picture) * draw(n, 1, 1, 1, low=0.0, high=0.02)
    picture = picture.clamp(0, 1)
    seen = torch.ones_like(out.weight)
    for i in range(n):
        if torch.rand(1, generator=g) < 0.06:
            turned, at = (float(v) for v in torch.rand(2, generator=g))
            picture[i : i + 1], inside = beyond_rim(picture[i : i + 1], 6.28 * turned, 0.3 + at)
            seen[i] = f.avg_pool2d(inside, 2)[0, 0] >= 1
            out.weight[i] *= seen[i]
            out.fraction[i, seen[i] < 1] = -1.0
    return stacked(picture, field), out, seen


def beyond_rim(picture: Tensor, turn: float, at: float) -> tuple[Tensor, Tensor]:
    """A picture mirrored at a straight rim, and where it is itself (1, 1, S, S).

    ``turn`` is the direction in which the rim lies from the middle, radians counter-clockwise,
    ``at`` how far, in half sides. That is how a photo is shown beyond its own rim; what would be
    mirrored from outside the tile is its border.
    """
    size = picture.shape[-1]
    c = (torch.arange(size, device=picture.device) + 0.5) / size * 2 - 1
    x, y = c[None, :].expand(size, size), c[:, None].expand(size, size)
    across = math.cos(turn), -math.sin(turn)  # rows run downwards
    over = (across[0] * x + across[1] * y - at).clamp_min(0)
    grid = torch.stack([x - 2 * over * across[0], y - 2 * over * across[1]], -1)
    shown = f.grid_sample(picture, grid[None], padding_mode="border", align_corners=False)
    inside = (over <= 0)[None, None]
    return torch.where(inside, picture, shown), inside.to(picture.dtype)


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def validate(net: torch.nn.Module, pool: Pool, batch: int) -> dict[str, float]:
    """Overlap of tool pixels and error of the edge's height on a pool of its own.

    ``iou``, ``over`` (invented) and ``under`` (lost, both as shares of the union), then the same by
    class of difficulty.
    """
    net.eval()
    cells = torch.zeros(len(THEMES), 4, dtype=torch.float64, device=pool.device)
    error: list[Tensor] = []
    sigma: list[Tensor] = []
    for k in range(0, pool.count, batch):
        index = torch.arange(k, min(k + batch, pool.count), device=pool.device)
        picture, field, t = pool.batch(index, drop=0.0)
        x = stacked(picture, field)
        with torch.autocast(pool.device, torch.bfloat16, enabled=pool.device == "cuda"):
            out = net(x)
        out = out.float()
        judged = (t.weight > 0).repeat_interleave(2, 1).repeat_interleave(2, 2)
        p, w = (f.pixel_shuffle(out[:, :4], 2)[:, 0] > 0) & judged, (t.fine > 0) & judged
        counts = torch.stack([(q).sum((1, 2)) for q in (p & w, p | w, p & ~w, ~p & w)], 1)
        cells.index_add_(0, pool.kept["theme"][index].long(), counts.double())
        m = (t.fraction >= 0) & (t.tall > 1)
        error.append((torch.sigmoid(out[:, 6]) - t.fraction)[m])
        sigma.append((0.02 + 0.6 * torch.sigmoid(out[:, 7]))[m])
    net.train()
    e, s = torch.cat(error), torch.cat(sigma)
    sums = torch.cat([cells.sum(0)[None], cells]).cpu()
    shares = {}
    for name, (both, either, over, under) in zip(("", *THEMES), sums.tolist(), strict=True):
        tail = f" {name}" if name else ""
        if name == "empty":  # nothing to overlap with: invented cells per tile's area
            seen = (pool.kept["theme"][: pool.count] == list(THEMES).index(name)).sum().item()
            shares["over empty"] = over / max(seen * 4 * pool.size**2, 1)
            continue
        shares[f"iou{tail}"] = both / max(either, 1)
        shares[f"over{tail}"], shares[f"under{tail}"] = (
            over / max(either, 1),
            under / max(either, 1),
        )
    return {
        **shares,
        "height_mae": float(e.abs().mean()),
        "height_rms": float(e.square().mean().sqrt()),
        "height_z": float((e / s).square().mean().sqrt()),
    }


def main(argv: list[str] | None = None) -> None:
    """Train for a given time and write the averaged weights."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--seconds", type=float, default=500)
    ask.add_argument("--size", type=int, default=352)
    ask.add_argument("--batch", type=int, default=32)
    ask.add_argument("--pool", type=int, default=14000)
    ask.add_argument("--first", type=int, default=1500, help="tiles rendered before the first step")
    ask.add_argument("--validation", type=int, default=256)
    ask.add_argument("--workers", type=int, default=14)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--rate", type=float, default=2.5e-3)
    ask.add_argument(
        "--share", type=float, default=0.33, help="share of the time spent rendering, on one GPU"
    )
    ask.add_argument("--start", type=Path, help="weights to go on from: .pt, or a shipped .onnx")
    ask.add_argument(
        "--mix", type=float, nargs="*", default=[], help="also write means of start and end"
    )
    ask.add_argument("--base", type=Path, help=".onnx to mix with instead of the start")
    ask.add_argument("--chunk", type=int, default=32)
    ask.add_argument("--compile", action="store_true", help="fuse the network's steps first")
    a = ask.parse_args(argv)
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    context = mp.get_context("spawn")
    queue: Queue[list[Lay]] = context.Queue(maxsize=3 * a.workers)
    base = a.seed * 1_000_000
    workers = start_workers(context, queue, base, a.workers, a.chunk, a.size, 1)
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    g = torch.Generator().manual_seed(a.seed)
    source: Apart | Between | None = None
    if torch.cuda.device_count() > 1:
        source = Apart(context, queue, a.chunk, a.size, device)
    renderer = Renderer(device == "cuda")
    held_out = Pool(a.validation, a.size, device)
    for lays in draw_in_parallel(context, 999_000_000, a.validation, a.chunk, a.size, 1, a.workers):
        held_out.add(rendered(renderer, lays, device))
    print(f"validation rendered after {time.monotonic() - began:.0f} s", flush=True)
    pool = Pool(a.pool, a.size, device)
    net: Any = SilhouetteNet()
    net = net.to(device).to(memory_format=torch.channels_last)
    optimizer = torch.optim.AdamW(
        net.parameters(), lr=a.rate, weight_decay=0.01, fused=device == "cuda"
    )
    if a.start and a.start.suffix == ".onnx":
        from tracer.learning.network.restore import restored

        net.load_state_dict(restored(a.start))
    elif a.start:
        net.load_state_dict(grown(torch.load(a.start, map_location="cpu", weights_only=True)))
    print(json.dumps({"before": _rounded(validate(net, held_out, a.batch))}), flush=True)
    average = Average(net)
    start = {k: v.clone() for k, v in net.state_dict().items()}

    def score(x: Tensor, t: Targets) -> tuple[Tensor, dict[str, Tensor]]:
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            out = net(x)
        return loss(out, t)

    fast: Any = torch.compile(score) if a.compile else score
    a.out.mkdir(parents=True, exist_ok=True)
    log: list[dict[str, float]] = []
    source = source or Between(queue, renderer, device, a.share)
    step = drawn = 0
    trained_from = last = time.monotonic()
    sums: dict[str, float] = {}
    while True:
        now = time.monotonic()
        if now - began > a.seconds - 12:
            break
        tiles = source.fetch(wait=pool.count < a.first)
        if tiles is not None:
            pool.add(tiles)
            drawn += len(tiles["field"])
            if step == 0:
                trained_from = time.monotonic()
            continue
        if step == 0:
            print(f"{pool.count} tiles after {trained_from - began:.0f} s", flush=True)
            if a.start and a.start.suffix == ".onnx":
                from tracer.learning.network.restore import settle

                settle(net, _inputs(pool, a.batch, min(pool.count, 512)))
                average = Average(net)
                start = {k: v.clone() for k, v in net.state_dict().items()}
                found = validate(average.net, held_out, a.batch)
                print(json.dumps({"settled": _rounded(found)}), flush=True)
        done = (now - trained_from) / max(a.seconds - 12 - (trained_from - began), 1)
        warm = min(1.0, (step + 1) / 200)
        for group in optimizer.param_groups:
            group["lr"] = a.rate * warm * (0.5 + 0.5 * math.cos(math.pi * min(done, 1.0))) + 1e-6
        index = torch.randint(pool.count, (a.batch,), generator=g).to(device)
        x, t, _ = varied(*pool.batch(index), g)
        total, parts = fast(x.contiguous(memory_format=torch.channels_last), t)
        optimizer.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call,unused-ignore]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        step += 1
        average.update(step)
        if step % 50 == 0:
            sums = {k: float(v.detach()) for k, v in parts.items()}
        if time.monotonic() - last > 60:
            last = time.monotonic()
            row = {
                "seconds": last - began,
                "step": step,
                "drawn": float(drawn),
                "waiting": queue.qsize(),
                **sums,
            }
            row.update({f"val_{k}": v for k, v in validate(average.net, held_out, a.batch).items()})
            log.append(_rounded(row))
            print(json.dumps({k: v for k, v in log[-1].items() if " " not in k}), flush=True)
            _save(a.out, average.net, log, vars(a))
    log.append(_rounded(validate(average.net, held_out, a.batch)))
    print(json.dumps(log[-1]), flush=True)
    _save(a.out, average.net, log, vars(a))
    for w in workers:
        w.terminate()
    if a.base:
        from tracer.learning.network.restore import restored, settle

        net.load_state_dict(restored(a.base))
        settle(net, _inputs(pool, a.batch, min(pool.count, 1024)))
        start = {k: v.clone() for k, v in net.state_dict().items()}
    for share in a.mix:
        net.load_state_dict(mixed(start, average.net.state_dict(), share))
        refresh(net, _inputs(pool, a.batch, min(pool.count, 1024)))
        found = _rounded(validate(net, held_out, a.batch))
        print(json.dumps({"share": share, **found}), flush=True)
        halves = {
            k: v.half().cpu() if v.is_floating_point() else v.cpu()
            for k, v in net.state_dict().items()
        }
        torch.save(halves, a.out / f"mixed-{round(100 * share):02d}.pt")


def _rounded(found: dict[str, float]) -> dict[str, float]:
    return {k: round(float(v), 4) for k, v in found.items()}


def _inputs(pool: Pool, batch: int, count: int) -> Iterator[Tensor]:
    for k in range(0, count, batch):
        picture, field, _ = pool.batch(torch.arange(k, min(k + batch, count)).to(pool.device))
        yield stacked(picture, field)


def _save(
    out: Path, net: torch.nn.Module, log: list[dict[str, float]], settings: dict[str, Any]
) -> None:
    kept = out / "weights.pt"
    torch.save({k: v.cpu() for k, v in net.state_dict().items()}, kept.with_suffix(".part"))
    kept.with_suffix(".part").replace(kept)  # whole at any moment, for whoever copies it meanwhile
    record = {"settings": {k: str(v) for k, v in settings.items()}, "log": log}
    (out / "log.json").write_text(json.dumps(record, indent=1))


if __name__ == "__main__":
    main()
