"""Fit the networks behind `tracer.inspection.judge` to rendered photos of panels.

    python -m tests.benchmarks.inspect_fit SCENES... [--kept FOLDER] [--apart]
        --out tracer/assets/inspection.json

SCENES are the folders of all panels that `DRAWS` names. ``--apart`` first prints, panel by panel,
what networks fitted without it say of its pockets. None of the draws has the seed of a measurement.
Each photo is registered from its true camera, so that only the pockets' figures count. A pocket of
which less than seven tenths are free counts as covered. Needs torch; not needed to run the program.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.inspect import rendered
from tests.inspection.cases import Case, case_of
from tests.inspection.photo import PanelPhoto
from tracer.inspection.camera import PanelCamera
from tracer.inspection.judge import CLASSES
from tracer.inspection.looks import Looks
from tracer.inspection.panel_sight import LookedAt, Seen, Sought
from tracer.inspection.refine import refined
from tracer.model.inspection import Found, Sighting
from tracer.workflows.inspecting.inspect_photos import PanelAt, looks_in_photo

Array = NDArray[np.float64]
Net = list[Array]

KINDS = {"present": 0, "missing": 1, "wrong": 2, "turned": 2}
#: missing weighs most; wrong tools are far rarer in a shop than here
WEIGHTS = (1.0, 1.5, 0.6, 1.0)


@dataclass(frozen=True)
class Draw:
    """Photos to fit to: of which panels, how many, and the share of tools swapped or turned."""

    seed: int
    count: int
    scenes: tuple[str, ...]
    odd: float = 0.10
    pale: bool = False


SAMPLES = ("drawer", "hard", "wall")
MORE = ("d02-drawer-charcoal-foam", "d16-laid-close", "d01-drawer-white-paper")
TALL = (
    "d04-wall-power-tools", "d15-tall-on-concrete", "d13-wood-on-plywood",
    "d14-black-chrome-foam", "d17-chrome-plastic-white", "d07-mat-tilt-barrel",
)  # fmt: skip
BOTH = ("drawer", MORE[0], "hard", MORE[1], "wall", MORE[2])
DRAWS = (
    Draw(21, 169, MORE),
    Draw(12, 130, SAMPLES),
    Draw(13, 120, BOTH, odd=0.4),
    Draw(14, 60, TALL, odd=0.2),
    Draw(15, 48, BOTH, odd=0.2, pale=True),
)
NETWORKS, HIDDEN, EPOCHS, BATCH = 5, 24, 70, 256
MOST_ERROR_MM = 4.0


def figures(case: Case, photo: PanelPhoto) -> list[tuple[Array, int]]:
    """Figures and class of each pocket that the photo shows."""
    looked, sought = LookedAt.of(photo.photo), Sought.of(case.panel)
    view, size = photo.view, case.panel.size_mm
    turn = np.ravel(cv2.Rodrigues(view.R)[0])
    values = np.concatenate([turn, view.t, [np.log(view.K[0, 0]), 0.0, 0.0]])
    start = PanelCamera(values, view.size_px, size)
    fit = refined(looked.levels, start, sought.pattern, looked.focal_sigma, first=1)
    if fit is None:
        return []
    walls = sought.pattern.walls_mm
    off = np.linalg.norm(fit.camera.to_photo(walls) - photo.wall_px(walls, size), axis=1)
    if float(np.sqrt(np.nanmean((off * view.mm_per_px(walls)) ** 2))) > MOST_ERROR_MM:
        return []
    sighting = Sighting(fit.camera.view(""), Found.DRAWING, 1.0, 0.0, fit.rms_mm)
    shown = looks_in_photo(PanelAt("", case.panel), Seen(fit, sighting, sure=True), looked)
    rows = []
    for pocket, look in zip(case.panel.pockets, shown, strict=True):
        free = photo.seen[pocket.pocket_id][1]
        if look.looks is not None and look.inside >= 0.8:
            kind = 3 if free < 0.7 else KINDS[photo.states[pocket.pocket_id]]
            rows.append((look.looks.vector(), kind))
    return rows


def fitted(
    x: Array, y: NDArray[np.intp], networks: int = NETWORKS
) -> tuple[Array, Array, list[Net]]:
    """Means and scales of the figures, and networks each fitted to another draw of the rows."""
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-3
    import torch  # here, since it comes with an extra alone

    z = torch.tensor(np.clip((x - mean) / scale, -9, 9), dtype=torch.float32)
    target, weight = torch.tensor(y), torch.tensor(WEIGHTS)
    nets = []
    for number in range(networks):
        torch.manual_seed(number)
        net = torch.nn.Sequential(
            torch.nn.Linear(x.shape[1], HIDDEN),
            torch.nn.Tanh(),
            torch.nn.Linear(HIDDEN, len(CLASSES)),
        )
        adam = torch.optim.AdamW(net.parameters(), lr=4e-3, weight_decay=3e-3)
        slower = torch.optim.lr_scheduler.CosineAnnealingLR(adam, EPOCHS)
        drawn = torch.tensor(np.random.default_rng(number).integers(0, len(z), len(z)))
        for _ in range(EPOCHS):
            for rows in drawn[torch.randperm(len(drawn))].split(BATCH):
                adam.zero_grad()
                loss = torch.nn.functional.cross_entropy(
                    net(z[rows]), target[rows], weight=weight, label_smoothing=0.002
                )
                loss.backward()
                adam.step()
            slower.step()
        parts = [net[0].weight.T, net[0].bias, net[2].weight.T, net[2].bias]
        nets.append([p.detach().numpy().astype(np.float64) for p in parts])
    return mean, scale, nets


def said(x: Array, mean: Array, scale: Array, nets: list[Net]) -> Array:
    """Probabilities (N, 4), as `tracer.inspection.judge` computes them."""
    z = np.clip((x - mean) / scale, -9, 9)
    total = np.zeros((len(x), len(CLASSES)))
    for w1, b1, w2, b2 in nets:
        e = np.exp(np.tanh(z @ w1 + b1) @ w2 + b2)
        total += e / e.sum(axis=1, keepdims=True)
    return total / len(nets)


Fitted = tuple[Array, Array, list[Net]]


def asset(coloured: Fitted, pale: Fitted) -> bytes:
    """The file that the program reads: networks for coloured floors and for white or grey ones."""

    def plain(part: Array) -> list[float]:
        return np.round(part, 4).tolist()

    def networks(mean: Array, scale: Array, nets: list[Net]) -> dict[str, object]:
        return {
            "mean": plain(mean),
            "scale": plain(scale),
            "networks": [[plain(part) for part in net] for net in nets],
        }

    body = {
        "figures": list(Looks.names()),
        "classes": list(CLASSES),
        "coloured": networks(*coloured),
        "pale": networks(*pale),
    }
    return (json.dumps(body, separators=(",", ":")) + "\n").encode()


def main() -> None:
    """Render, read, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--kept", type=Path)
    parser.add_argument("--apart", action="store_true")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    folders = {folder.name: folder for folder in args.scenes}
    rows: list[tuple[Array, int]] = []
    panels: list[str] = []
    pales: list[bool] = []
    for draw in DRAWS:
        scenes = [folders[name] for name in draw.scenes]
        for number in range(draw.count):
            case = case_of(
                scenes, draw.seed, number, cache_folder=args.kept, odd=draw.odd, pale=draw.pale
            )
            found = figures(case, rendered(case, args.kept))
            rows += found
            panels += [case.scene.name] * len(found)
            pales += [draw.pale] * len(found)
    x, y = np.array([r[0] for r in rows]), np.array([r[1] for r in rows], np.intp)
    coloured = ~np.array(pales)
    for name in sorted(set(panels)) if args.apart else ():
        out = (np.array(panels) == name) & coloured
        p = said(x[out], *fitted(x[coloured & ~out], y[coloured & ~out], 2))
        table = [
            [int(((p.argmax(axis=1) == j) & (y[out] == i)).sum()) for j in range(4)]
            for i in range(4)
        ]
        print(f"without {name}: rows truth, columns said, in the order {CLASSES}: {table}")
    args.out.write_bytes(asset(fitted(x[coloured], y[coloured]), fitted(x, y)))
    print(f"{len(y)} pockets -> {args.out}")


if __name__ == "__main__":
    main()
