"""Tiles to train on: rendered, packed as bytes and kept on the device.

Rendering goes on between the training's steps, or in a process of its own on a second GPU.
"""

from __future__ import annotations

import os
import time
from multiprocessing.queues import Queue
from typing import Any

import numpy as np
import torch
from torch import Tensor

from tracer.learning.network.targets import Targets, prepare
from tracer.learning.renderer.effects import photograph, photographed_alike
from tracer.learning.renderer.ray_caster import Renderer
from tracer.learning.scenes.lays import Lay
from tracer.learning.scenes.themes import THEMES

__all__ = ["Apart", "Between", "Pool", "rendered"]

#: What is kept of a tile: name, channels (0: none), size over the tile's.
_KEPT = (
    ("picture", 3, 2),
    ("fine", 0, 2),
    ("flags", 0, 1),
    ("fraction", 0, 1),
    ("weight", 0, 1),
    ("tall", 0, 1),
)


def _room(count: int, size: int, device: str) -> dict[str, Tensor]:
    """Space for tiles as `rendered` packs them."""
    room = {
        name: torch.zeros(
            (count, *([c] if c else []), k * size, k * size), dtype=torch.uint8, device=device
        )
        for name, c, k in _KEPT
    }
    room["field"] = torch.zeros((count, 4), device=device)
    room["theme"] = torch.zeros(count, dtype=torch.uint8, device=device)
    return room


ALIKE = 0.7  # how often the photos of a lay were taken by one phone in one light


def rendered(renderer: Renderer, lays: list[Lay], device: str, views: int = 1) -> dict[str, Tensor]:
    """Pictures and targets of lays as bytes, packed as `Pool` keeps them, and the cameras.

    Each ``views`` lays in a row are one lay from several cameras.
    """
    tiles, heights = renderer.render(lays)
    steps = torch.tensor([float(lay.scene["step"]) for lay in lays])
    light = torch.as_tensor(tiles.light, device=device).permute(0, 3, 1, 2).contiguous()
    alike = views > 1 and float(torch.rand(1)) < ALIKE
    pictures = photographed_alike(light, steps, views) if alike else photograph(light, steps)
    n = len(lays)
    kinds = torch.full((n, 256), 3, dtype=torch.int64)
    tall = torch.zeros(n, 256)
    for i, lay in enumerate(lays):
        m = len(lay.tools)
        kinds[i, 1 : m + 1] = torch.as_tensor(lay.tools["kind"].astype(np.int64))
        tall[i, 1 : m + 1] = torch.as_tensor(heights[:m].copy())
        heights = heights[m:]
    tool, cover, near, share = (
        torch.as_tensor(v, device=device)
        for v in (tiles.tool, tiles.cover, tiles.near_mm, tiles.fraction)
    )
    t = prepare(tool, cover, near, share, kinds.to(device), tall.to(device))
    share = torch.where(t.fraction < 0, torch.full_like(t.fraction, 255), t.fraction * 250)
    cameras = np.array([[*lay.scene["cam"], lay.scene["step"]] for lay in lays], np.float32)
    names = list(THEMES)
    return {
        "picture": (pictures * 255).round().byte(),
        "fine": t.fine.byte(),
        "flags": (t.contact + 2 * t.cable + 4 * t.rim).byte(),
        "fraction": share.byte(),
        "weight": (t.weight * 40).byte(),
        "tall": (t.tall * 100).byte(),
        "field": torch.as_tensor(cameras, device=device),
        "theme": torch.tensor([names.index(lay.theme) for lay in lays], dtype=torch.uint8).to(
            device
        ),
    }


class Pool:
    """Rendered tiles kept on the device, ring-wise replaced."""

    def __init__(self, capacity: int, size: int, device: str) -> None:
        self.kept = _room(capacity, size, device)
        self.capacity, self.size, self.device = capacity, size, device
        self.count = self.at = 0

    def add(self, tiles: dict[str, Tensor]) -> None:
        """Take in tiles that `rendered` packed, from any device."""
        n = len(tiles["field"])
        spot = (torch.arange(n) + self.at) % self.capacity
        for name, values in tiles.items():
            self.kept[name][spot.to(self.device)] = values.to(self.device)
        self.at = (self.at + n) % self.capacity
        self.count = min(self.count + n, self.capacity)

    def batch(self, index: Tensor, drop: float = 0.15) -> tuple[Tensor, Tensor, Targets]:
        """Pictures (N, 3, 2S, 2S), ways from the camera (N, 2, S, S) and targets.

        ``drop`` is how often the camera is hidden from the network.
        """
        n, s = len(index), self.size
        tiles = {name: kept[index] for name, kept in self.kept.items()}
        picture = tiles["picture"].float() / 255
        camera = tiles["field"].view(n, 4, 1, 1)
        cam, step = camera[:, :3], camera[:, 3:]
        x = torch.arange(s, device=self.device, dtype=torch.float32) - s / 2
        dx = (x.view(1, 1, 1, s) * step - cam[:, :1]).expand(n, 1, s, s)
        dy = (-x.view(1, 1, s, 1) * step - cam[:, 1:2]).expand(n, 1, s, s)
        seen = (torch.rand(n, 1, 1, 1, device=self.device) >= drop).float()
        field = torch.cat([dx, dy], 1) / cam[:, 2:] * seen
        contact, cable, rim = ((tiles["flags"] >> i & 1).float() for i in range(3))
        share = tiles["fraction"].float()
        share = torch.where(share == 255, -1.0, share / 250)
        weight, tall = tiles["weight"].float() / 40, tiles["tall"].float() / 100
        t = Targets(tiles["fine"].float(), contact, cable, rim, share, weight, tall)
        return picture, field, t


class Between:
    """Tiles rendered between the training's steps, for a given share of the time."""

    def __init__(
        self,
        lays: Queue[list[Lay]],
        renderer: Renderer,
        device: str,
        share: float,
        views: int = 1,
    ):
        self.lays, self.renderer, self.device, self.share = lays, renderer, device, share
        self.views = views
        self.began, self.spent = time.monotonic(), 0.0

    def fetch(self, wait: bool) -> dict[str, Tensor] | None:
        """The next tiles, if there are lays and time for them, or if ``wait``."""
        if not wait and (
            self.spent >= self.share * (time.monotonic() - self.began) or self.lays.empty()
        ):
            return None
        lays = self.lays.get()
        started = time.monotonic()
        tiles = rendered(self.renderer, lays, self.device, self.views)
        if self.device == "cuda":
            torch.cuda.synchronize()
        self.spent += time.monotonic() - started
        return tiles


class Apart:
    """Tiles that another process renders on the second GPU, handed over in shared memory."""

    def __init__(
        self,
        context: Any,
        lays: Queue[list[Lay]],
        chunk: int,
        size: int,
        device: str,
        views: int = 1,
    ):
        self.slots = [_room(chunk, size, "cpu") for _ in range(6)]
        for slot in self.slots:
            for values in slot.values():
                values.share_memory_()  # type: ignore[no-untyped-call,unused-ignore]
        self.blank, self.full, self.device = context.Queue(), context.Queue(), device
        for k in range(len(self.slots)):
            self.blank.put(k)
        self.process = context.Process(
            target=_render, args=(lays, self.blank, self.full, self.slots, views), daemon=True
        )
        seen = os.environ.get("CUDA_VISIBLE_DEVICES")
        os.environ["CUDA_VISIBLE_DEVICES"] = "1"  # read by the child as it starts
        self.process.start()
        if seen is None:
            del os.environ["CUDA_VISIBLE_DEVICES"]
        else:
            os.environ["CUDA_VISIBLE_DEVICES"] = seen

    def fetch(self, wait: bool) -> dict[str, Tensor] | None:
        """The next tiles, if they are ready, or if ``wait``."""
        if not wait and self.full.empty():
            return None
        k = self.full.get()
        tiles = {name: values.to(self.device, copy=True) for name, values in self.slots[k].items()}
        self.blank.put(k)
        return tiles


def _render(
    lays: Queue[list[Lay]],
    blank: Queue[int],
    full: Queue[int],
    slots: list[dict[str, Tensor]],
    views: int,
) -> None:
    device = "cuda" if torch.cuda.is_available() else "cpu"
    renderer = Renderer(device == "cuda")
    while True:
        tiles = rendered(renderer, lays.get(), device, views)
        k = blank.get()
        for name, values in tiles.items():
            slots[k][name].copy_(values)
        full.put(k)
