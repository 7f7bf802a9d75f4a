"""Train the network for several photos: ``python -m tracer.learning.training.train_joint``.

It starts from a shipped one-photo network twice: as the witness, whose weights stay, and as the
deciding network, which is trained whole; or it goes on from the shipped two, with the one-photo
network of today as the witness's trunk. Lays are rendered from three cameras each; every photo is
the reference once, with both others, with one, or with none. Rectified pictures slip against each
other and heights of cameras are believed wrongly, by as much as solved calibrations leave.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing as mp
import time
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

import torch
from torch import Tensor
from torch.nn import functional as f

from tracer.learning.network.joint import Features, JointNet, Pairs, Witness, pooled
from tracer.learning.network.restore import restored, settle
from tracer.learning.network.targets import Targets, loss
from tracer.learning.renderer.ray_caster import Renderer
from tracer.learning.scenes.lays import Lay
from tracer.learning.scenes.themes import THEMES
from tracer.learning.training.averaging import Average
from tracer.learning.training.drawing import draw_in_parallel, start_workers
from tracer.learning.training.pool import Apart, Between, Pool, rendered
from tracer.learning.training.train import stacked, varied

__all__ = ["Groups", "main", "validate"]

SLIP_MM, HEIGHT_ERROR = 0.35, 0.003  # what calibrations of several photos leave between them
ALONE, ONE = 0.15, 0.3  # how often a reference has no other photo, one other photo


@dataclass(frozen=True)
class Groups:
    """Which of a batch's photos look at which, for groups of ``views``; on one device."""

    views: int
    device: str

    def pairs(self, height_mm: Tensor, g: torch.Generator | None) -> Pairs:
        """All pairs, or a random choice of them with slips; ``height_mm`` (N,) of the cameras."""
        n = len(height_mm)
        first, second = Pairs.of_groups(n, self.views)
        one = torch.tensor(first, device=self.device)
        other = torch.tensor(second, device=self.device)
        if g is None:
            still = torch.zeros(len(first), 2, device=self.device)
            return Pairs(one, other, torch.ones_like(still[:, 0]), still, height_mm[other])
        count = self.views - 1
        roll, chosen = torch.rand(n, generator=g), torch.rand(n, count, generator=g)
        keep = torch.ones(n, count)
        keep[roll < ALONE] = 0
        few = (roll >= ALONE) & (roll < ALONE + ONE)
        keep[few] = (chosen == chosen.max(1, keepdim=True).values).float()[few]
        slip = torch.randn(len(first), 2, generator=g) * SLIP_MM
        wrong = 1 + HEIGHT_ERROR * torch.randn(len(first), generator=g)
        return Pairs(
            one,
            other,
            keep.flatten().to(self.device),
            slip.to(self.device),
            height_mm[other] * wrong.to(self.device),
        )

    @staticmethod
    def none(pairs: Pairs) -> Pairs:
        """The same pairs, none of them used."""
        return Pairs(pairs.one, pairs.other, 0 * pairs.weight, pairs.slip_mm, pairs.height_mm)


def _gathered(
    features: Features, x: Tensor, seen: Tensor, step_mm: Tensor, pairs: Pairs
) -> tuple[Tensor, Tensor]:
    """What the references' fusions take in, near and deep; ``seen`` (N, S, S) is 1 in the photo."""
    shown, field, size = seen[:, None].to(x.dtype), x[:, 12:], x.shape[-1]
    return (
        pooled(features.near, _all_seen(shown, 2), _mean(field, 2), step_mm, pairs, size),
        pooled(features.deep, _all_seen(shown, 8), _mean(field, 8), step_mm, pairs, size),
    )


def _all_seen(shown: Tensor, times: int) -> Tensor:
    return (f.avg_pool2d(shown, times) > 0.99).to(shown.dtype)


def _mean(field: Tensor, times: int) -> Tensor:
    return f.avg_pool2d(field, times)


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def validate(
    witness: Witness, net: torch.nn.Module, pool: Pool, batch: int, groups: Groups
) -> dict[str, float]:
    """Overlap of tool pixels with all others (``iou``), with none (``alone``), also by class."""
    net.eval()
    cells = torch.zeros(2, len(THEMES), 4, dtype=torch.float64, device=pool.device)
    for k in range(0, pool.count, batch):
        index = torch.arange(k, min(k + batch, pool.count), device=pool.device)
        picture, field, t = pool.batch(index, drop=0.0)
        camera = pool.kept["field"][index]
        x = stacked(picture, field)
        pairs, whole = groups.pairs(camera[:, 2], None), torch.ones_like(t.weight)
        for way, chosen in enumerate((pairs, groups.none(pairs))):
            with torch.autocast(pool.device, torch.bfloat16, enabled=pool.device == "cuda"):
                near, deep = _gathered(witness(x), x, whole, camera[:, 3], chosen)
                out = net(x, near, deep)
            counts = _overlap(out.float(), t)
            cells[way].index_add_(0, pool.kept["theme"][index].long(), counts.double())
    net.train()
    found = {}
    for way, name in enumerate(("iou", "alone")):
        rows = torch.cat([cells[way].sum(0)[None], cells[way]]).cpu().tolist()
        for theme, (both, either, over, under) in zip(("", *THEMES), rows, strict=True):
            tail = f" {theme}" if theme else ""
            found[f"{name}{tail}"] = both / max(either, 1)
            if not theme:
                found[f"{name} over"] = over / max(either, 1)
                found[f"{name} under"] = under / max(either, 1)
    return {k: round(v, 4) for k, v in found.items()}


def _overlap(out: Tensor, t: Targets) -> Tensor:
    judged = (t.weight > 0).repeat_interleave(2, 1).repeat_interleave(2, 2)
    p, w = (f.pixel_shuffle(out[:, :4], 2)[:, 0] > 0) & judged, (t.fine > 0) & judged
    return torch.stack([q.sum((1, 2)) for q in (p & w, p | w, p & ~w, ~p & w)], 1)


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def _inputs(
    witness: Witness, pool: Pool, count: int, batch: int, groups: Groups
) -> Iterator[tuple[Tensor, ...]]:
    """What the deciding network is called with, for the pool's first lays."""
    for k in range(0, count - batch + 1, batch):
        index = torch.arange(k, k + batch).to(pool.device)
        picture, field, t = pool.batch(index, drop=0.0)
        camera, x = pool.kept["field"][index], stacked(picture, field)
        pairs, whole = groups.pairs(camera[:, 2], None), torch.ones_like(t.weight)
        yield x, *_gathered(witness(x), x, whole, camera[:, 3], pairs)


def _save(
    out: Path, witness: Witness, net: torch.nn.Module, log: list[dict[str, float]], note: Any
) -> None:
    """Both networks as float16, replaced whole; the witness's own two layers alone."""
    state = {
        **{f"witness.{k}": v for k, v in witness.state_dict().items() if "trunk" not in k},
        **{f"joint.{k}": v for k, v in net.state_dict().items()},
    }
    halves = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in state.items()}
    kept = out / "joint.pt"
    torch.save(halves, kept.with_suffix(".part"))
    kept.with_suffix(".part").replace(kept)
    (out / "log.json").write_text(json.dumps({"settings": note, "log": log}, indent=1))


def main(argv: list[str] | None = None) -> None:
    """Train for a given time and write the averaged weights."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--start", type=Path, required=True, help="the shipped one-photo .onnx")
    ask.add_argument("--again", type=Path, help="folder of joint.onnx, witness.onnx to go on from")
    ask.add_argument("--seconds", type=float, default=1200)
    ask.add_argument("--size", type=int, default=352)
    ask.add_argument("--views", type=int, default=3)
    ask.add_argument("--batch", type=int, default=36, help="a multiple of the views")
    ask.add_argument("--pool", type=int, default=24000)
    ask.add_argument("--first", type=int, default=1500)
    ask.add_argument("--validation", type=int, default=720)
    ask.add_argument("--workers", type=int, default=28)
    ask.add_argument("--chunk", type=int, default=30)
    ask.add_argument("--seed", type=int, default=41)
    ask.add_argument("--rate", type=float, default=1.2e-3)
    ask.add_argument("--share", type=float, default=0.4, help="time for rendering, on one GPU")
    ask.add_argument("--compile", action="store_true")
    a = ask.parse_args(argv)
    for name in ("batch", "pool", "chunk", "validation"):
        setattr(a, name, getattr(a, name) // a.views * a.views)
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    context = mp.get_context("spawn")
    queue: Queue[list[Lay]] = context.Queue(maxsize=3 * a.workers)
    start_workers(context, queue, a.seed * 1_000_000, a.workers, a.chunk, a.size, a.views)
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    g = torch.Generator().manual_seed(a.seed)
    source: Apart | Between | None = None
    if torch.cuda.device_count() > 1:
        source = Apart(context, queue, a.chunk, a.size, device, a.views)
    renderer = Renderer(device == "cuda")
    held_out = Pool(a.validation, a.size, device)
    for lays in draw_in_parallel(
        context, 999_000_000, a.validation, a.chunk, a.size, a.views, a.workers
    ):
        held_out.add(rendered(renderer, lays, device, a.views))
    print(f"validation rendered after {time.monotonic() - began:.0f} s", flush=True)
    pool = Pool(a.pool, a.size, device)
    source = source or Between(queue, renderer, device, a.share, a.views)
    while pool.count < a.first:
        tiles = source.fetch(wait=True)
        assert tiles is not None
        pool.add(tiles)
    print(f"{pool.count} tiles after {time.monotonic() - began:.0f} s", flush=True)
    groups = Groups(a.views, device)
    witness, net = _networks(a.start, a.again, pool, groups, a.batch)
    learner = _Learner(witness, net, groups, device, a)
    average, watch = Average(net), Average(witness)
    watched: Any = watch.net
    a.out.mkdir(parents=True, exist_ok=True)
    log: list[dict[str, float]] = []
    note = {k: str(v) for k, v in vars(a).items()}
    print(json.dumps(validate(witness, net, held_out, a.batch, groups)), flush=True)
    step, drawn = 0, pool.count
    trained_from = last = time.monotonic()
    while (now := time.monotonic()) - began < a.seconds - 15:
        tiles = source.fetch(wait=False)
        if tiles is not None:
            pool.add(tiles)
            drawn += len(tiles["field"])
            continue
        done = (now - trained_from) / max(a.seconds - 15 - (trained_from - began), 1)
        parts = learner.step(pool, g, step, done)
        step += 1
        average.update(step)
        watch.update(step)
        if time.monotonic() - last > 90:
            last = time.monotonic()
            row = {"seconds": last - began, "step": float(step), "drawn": float(drawn)}
            row |= {k: float(v.detach()) for k, v in parts.items()}
            row |= validate(watched, average.net, held_out, a.batch, groups)
            log.append({k: round(v, 4) for k, v in row.items()})
            themes = tuple(THEMES)
            told = {k: v for k, v in log[-1].items() if not k.endswith(themes)}
            print(json.dumps(told), flush=True)
            _save(a.out, watched, average.net, log, note)
    log.append(validate(watched, average.net, held_out, a.batch, groups))
    print(json.dumps({"steps": step, "tiles": drawn, **log[-1]}), flush=True)
    _save(a.out, watched, average.net, log, note)


def _networks(
    start: Path, again: Path | None, pool: Pool, groups: Groups, batch: int
) -> tuple[Witness, JointNet]:
    """Witness and deciding network to start with, in training mode on the pool's device."""
    witness, net = Witness(), JointNet()
    if again:
        witness.load_state_dict(restored(again / "witness.onnx", witness))
        net.load_state_dict(restored(again / "joint.onnx", net))
    else:
        net.trunk.load_state_dict(restored(start))
    witness.trunk.load_state_dict(restored(start))
    for part in (witness, net):
        part.to(pool.device)
        part.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    witness.eval()
    settle(net, _inputs(witness, pool, min(pool.count, 512), batch, groups))
    witness.train()
    net.train()
    return witness, net


class _Learner:
    """One step of the optimiser after another."""

    def __init__(
        self, witness: Witness, net: JointNet, groups: Groups, device: str, a: argparse.Namespace
    ) -> None:
        self.witness, self.net, self.groups, self.device = witness, net, groups, device
        self.batch, self.rate = a.batch, a.rate
        learned = [*net.parameters(), *witness.near.parameters(), *witness.deep.parameters()]
        self.optimizer = torch.optim.AdamW(
            learned, lr=a.rate, weight_decay=0.01, fused=device == "cuda"
        )
        self.learned = learned
        self.score: Any = torch.compile(self._score) if a.compile else self._score

    def _score(
        self, x: Tensor, seen: Tensor, step_mm: Tensor, pairs: Pairs, t: Targets
    ) -> tuple[Tensor, dict[str, Tensor]]:
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            near, deep = _gathered(self.witness(x), x, seen, step_mm, pairs)
            out = self.net(x, near, deep)
        return loss(out, t)

    def step(self, pool: Pool, g: torch.Generator, step: int, done: float) -> dict[str, Tensor]:
        """Learn from a batch; ``done`` (0..1) lowers the rate."""
        warm = min(1.0, (step + 1) / 300)
        for group in self.optimizer.param_groups:
            group["lr"] = self.rate * warm * (0.5 + 0.5 * math.cos(math.pi * min(done, 1.0))) + 1e-6
        views = self.groups.views
        first = torch.randint(pool.count // views, (self.batch // views,), generator=g) * views
        index = (first[:, None] + torch.arange(views)).flatten().to(pool.device)
        camera = pool.kept["field"][index]
        x, t, seen = varied(*pool.batch(index, drop=0.0), g)
        pairs = self.groups.pairs(camera[:, 2], g)
        x = x.contiguous(memory_format=torch.channels_last)
        total, parts = self.score(x, seen, camera[:, 3], pairs, t)
        self.optimizer.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(self.learned, 2.0)
        self.optimizer.step()
        return dict(parts)


if __name__ == "__main__":
    main()
