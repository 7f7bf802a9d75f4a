"""Train the model on pictures rendered on the way: ``python -m tracer.learning.train``.

Lays are drawn by worker processes, rendered and photographed on the GPU (the second one where there
are two) into a pool, whose oldest tiles give way to new ones; each use varies turn, mirror,
exposure, colour and noise a little. Everything is drawn from the seeds given; two runs give models
of the same score, not the same bytes.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import multiprocessing as mp
import time
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as f

from tracer.learning.lays import Lay, random_lay
from tracer.learning.network import SilhouetteNet, grown
from tracer.learning.pool import Apart, Between, Pool, rendered
from tracer.learning.renderer import Renderer
from tracer.learning.targets import Targets, directions, loss, symmetry

__all__ = ["main", "validate"]


def _draw(seed: int, count: int, size: int) -> list[Lay]:
    return [random_lay(np.random.default_rng([seed, i]), size) for i in range(count)]


def _work(queue: Queue[list[Lay]], seed: int, stride: int, chunk: int, size: int) -> None:
    torch.set_num_threads(1)
    while True:
        queue.put(_draw(seed, chunk, size))
        seed += stride


def stacked(picture: Tensor, field: Tensor) -> Tensor:
    """The network's input (N, 14, S, S) of pictures (N, 3, 2S, 2S) and ways (N, 2, S, S)."""
    return torch.cat([f.pixel_unshuffle(picture, 2), field], 1)


def _varied(
    picture: Tensor, field: Tensor, t: Targets, g: torch.Generator
) -> tuple[Tensor, Targets]:
    """One random symmetry for the batch, and now and then a corner outside the photo."""
    turn, mirror = (
        int(torch.randint(4, (1,), generator=g)),
        bool(torch.randint(2, (1,), generator=g)),
    )
    maps = [
        symmetry(v, turn, mirror)
        for v in (t.fine, t.contact, t.cable, t.rim, t.fraction, t.weight, t.tall)
    ]
    picture, field = symmetry(picture, turn, mirror), directions(field, turn, mirror)
    out = Targets(*maps)

    def draw(*shape: int, low: float, high: float) -> Tensor:
        return (torch.rand(shape, generator=g) * (high - low) + low).to(picture.device)

    n = len(picture)
    picture = picture * draw(n, 3, 1, 1, low=0.93, high=1.07)
    picture = picture * draw(n, 1, 1, 1, low=0.75, high=1.25)
    picture = picture.clamp(1e-3, 1) ** draw(n, 1, 1, 1, low=0.8, high=1.25)
    picture = picture + torch.randn_like(picture) * draw(n, 1, 1, 1, low=0.0, high=0.02)
    picture = picture.clamp(0, 1)
    c = torch.linspace(-1, 1, field.shape[-1], device=field.device)
    for i in range(n):
        if torch.rand(1, generator=g) < 0.06:
            a = float(torch.rand(1, generator=g)) * 6.28
            away = math.cos(a) * c[None, :] + math.sin(a) * c[:, None] > 0.3 + 0.9 * float(
                torch.rand(1, generator=g)
            )
            wide = away.repeat_interleave(2, 0).repeat_interleave(2, 1)
            picture[i, :, wide] = 0.0
            out.fine[i, wide] = 0.0
            for m in (out.contact, out.cable, out.rim):
                m[i, away] = 0.0
            out.fraction[i, away] = -1.0
    return stacked(picture, field), out


class _Average:
    """Weights averaged over about the last thousand steps, over fewer at the start."""

    def __init__(self, net: torch.nn.Module) -> None:
        self.net = copy.deepcopy(net)
        own, new = self.net.state_dict(keep_vars=True), net.state_dict(keep_vars=True)
        names = [k for k, v in new.items() if v.is_floating_point()]
        self.pairs = [own[k].detach() for k in names], [new[k].detach() for k in names]

    def update(self, step: int) -> None:
        """Take in the weights as they are after ``step`` steps."""
        torch._foreach_lerp_(*self.pairs, 1 / min(1000.0, 1.0 + 0.1 * step))


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def validate(net: torch.nn.Module, pool: Pool, batch: int) -> dict[str, float]:
    """Overlap of tool pixels and error of the edge's height on a pool of its own."""
    net.eval()
    both = either = over = under = 0.0
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
        both += float((p & w).sum())
        either += float((p | w).sum())
        over, under = over + float((p & ~w).sum()), under + float((~p & w).sum())
        m = (t.fraction >= 0) & (t.tall > 1)
        error.append((torch.sigmoid(out[:, 6]) - t.fraction)[m])
        sigma.append((0.02 + 0.6 * torch.sigmoid(out[:, 7]))[m])
    net.train()
    e, s = torch.cat(error), torch.cat(sigma)
    return {
        "iou": both / max(either, 1),
        "over": over / max(either, 1),
        "under": under / max(either, 1),
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
    ask.add_argument("--start", type=Path, help="state to go on from")
    ask.add_argument("--chunk", type=int, default=32)
    ask.add_argument("--compile", action="store_true", help="fuse the network's steps first")
    a = ask.parse_args(argv)
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    context = mp.get_context("spawn")
    queue: Queue[list[Lay]] = context.Queue(maxsize=3 * a.workers)
    base = a.seed * 1_000_000
    workers = [
        context.Process(
            target=_work, args=(queue, base + i, a.workers, a.chunk, a.size), daemon=True
        )
        for i in range(a.workers)
    ]
    for w in workers:
        w.start()
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    g = torch.Generator().manual_seed(a.seed)
    source: Apart | Between | None = None
    if torch.cuda.device_count() > 1:
        source = Apart(context, queue, a.chunk, a.size, device)
    renderer = Renderer(device == "cuda")
    held_out = Pool(a.validation, a.size, device)
    for k in range(0, a.validation, a.chunk):
        lays = _draw(999_000_000 + k, min(a.chunk, a.validation - k), a.size)
        held_out.add(rendered(renderer, lays, device))
    print(f"validation rendered after {time.monotonic() - began:.0f} s", flush=True)
    pool = Pool(a.pool, a.size, device)
    net: Any = SilhouetteNet()
    net = net.to(device).to(memory_format=torch.channels_last)
    optimizer = torch.optim.AdamW(
        net.parameters(), lr=a.rate, weight_decay=0.01, fused=device == "cuda"
    )
    if a.start:
        net.load_state_dict(grown(torch.load(a.start, map_location="cpu", weights_only=True)))
    average = _Average(net)

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
        done = (now - trained_from) / max(a.seconds - 12 - (trained_from - began), 1)
        warm = min(1.0, (step + 1) / 200)
        for group in optimizer.param_groups:
            group["lr"] = a.rate * warm * (0.5 + 0.5 * math.cos(math.pi * min(done, 1.0))) + 1e-6
        index = torch.randint(pool.count, (a.batch,), generator=g).to(device)
        x, t = _varied(*pool.batch(index), g)
        total, parts = fast(x.contiguous(memory_format=torch.channels_last), t)
        optimizer.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call,unused-ignore]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        step += 1
        average.update(step)
        if step % 50 == 0:
            sums = {k: float(v.detach()) for k, v in parts.items()}
        if time.monotonic() - last > 45:
            last = time.monotonic()
            row = {
                "seconds": last - began,
                "step": step,
                "drawn": float(drawn),
                "waiting": queue.qsize(),
                **sums,
            }
            row.update({f"val_{k}": v for k, v in validate(average.net, held_out, a.batch).items()})
            log.append({k: round(float(v), 4) for k, v in row.items()})
            print(json.dumps(log[-1]), flush=True)
            _save(a.out, average.net, log, vars(a))
    print(json.dumps(validate(average.net, held_out, a.batch)), flush=True)
    _save(a.out, average.net, log, vars(a))
    for w in workers:
        w.terminate()


def _save(
    out: Path, net: torch.nn.Module, log: list[dict[str, float]], settings: dict[str, Any]
) -> None:
    torch.save({k: v.cpu() for k, v in net.state_dict().items()}, out / "weights.pt")
    record = {"settings": {k: str(v) for k, v in settings.items()}, "log": log}
    (out / "log.json").write_text(json.dumps(record, indent=1))


if __name__ == "__main__":
    main()
