"""From clean light to what a phone writes: lens, sensor, tone, sharpening, JPEG, rectification.

Works at a quarter of a millimetre per sample, about a phone's pixel a metre above the sheet, on
batches, on the GPU where there is one. The last step is the rectification to half a millimetre:
the mean of the nearest pixels, as at run time, and more blur for a camera further off.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as nn

__all__ = ["fallen_shade", "jpeg", "photograph", "photographed_alike", "srgb"]


def srgb(linear: Tensor) -> Tensor:
    """Linear light 0..1 to sRGB values 0..1 (IEC 61966-2-1)."""
    x = linear.clamp(0, 1)
    return torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp_min(1e-6) ** (1 / 2.4) - 0.055)


def _uniform(n: int, low: float, high: float, like: Tensor) -> Tensor:
    return torch.rand(n, 1, 1, 1, device=like.device) * (high - low) + low


def _log_uniform(n: int, low: float, high: float, like: Tensor) -> Tensor:
    return _uniform(n, math.log(low), math.log(high), like).exp()


def blur(x: Tensor, sigma: Tensor, radius: int = 10, across: Tensor | None = None) -> Tensor:
    """Gaussian blur (B, C, H, W) with one sigma (B, 1, 1, 1) per picture, in samples.

    ``across`` is the sigma from left to right where it is another.
    """
    b, c, h, w = x.shape
    t = torch.arange(-radius, radius + 1, device=x.device, dtype=x.dtype)

    def kernel(wide: Tensor) -> Tensor:
        k = torch.exp(-0.5 * (t / wide.view(b, 1).to(x.dtype)) ** 2)
        return (k / k.sum(1, keepdim=True)).repeat_interleave(c, 0).view(b * c, 1, 1, -1)

    k, other = kernel(sigma if across is None else across), kernel(sigma)
    y = nn.pad(x, (radius, radius, radius, radius), mode="replicate").view(
        1, b * c, h + 2 * radius, w + 2 * radius
    )
    y = nn.conv2d(y, k, groups=b * c)
    y = nn.conv2d(y, other.transpose(2, 3), groups=b * c)
    return y.view(b, c, h, w)


#: Luminance table of the JPEG standard, ITU-T T.81 (1992), annex K, table K.1
_TABLE = """16 11 10 16 24 40 51 61 12 12 14 19 26 58 60 55 14 13 16 24 40 57 69 56
14 17 22 29 51 87 80 62 18 22 37 56 68 109 103 77 24 35 55 64 81 104 113 92
49 64 78 87 103 121 120 101 72 92 95 98 112 100 103 99"""


def jpeg(x: Tensor, quality: Tensor) -> Tensor:
    """Quantise 8 x 8 blocks as JPEG does; x (B, 3, H, W) 0..1, H and W multiples of 8.

    ``quality`` (B, 1, 1, 1) is the 1..100 scale of the Independent JPEG Group. Chroma is halved
    and quantised three times as coarsely.
    """
    b, _, h, w = x.shape
    rot = x.new_tensor(
        [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]]
    )
    y = torch.einsum("kc,bchw->bkhw", rot, x * 255)
    chroma = nn.interpolate(
        nn.avg_pool2d(y[:, 1:], 2), scale_factor=2.0, mode="bilinear", align_corners=False
    )
    y = torch.cat([y[:, :1] - 128, chroma], 1)
    i = torch.arange(8, device=x.device, dtype=x.dtype)
    d = torch.cos((2 * i[None] + 1) * i[:, None] * math.pi / 16) * 0.5
    d[0] = math.sqrt(1 / 8)
    table = x.new_tensor([float(v) for v in _TABLE.split()]).view(1, 1, 1, 1, 8, 8)
    q = quality.view(b, 1, 1, 1, 1, 1)
    scale = torch.where(q < 50, 5000 / q, 200 - 2 * q) / 100
    coarse = x.new_tensor([1.0, 3.0, 3.0]).view(1, 3, 1, 1, 1, 1)
    step = torch.floor(table * scale + 0.5).clamp(1.0, 255.0) * coarse
    y = (d @ y.view(b, 3, h // 8, 8, w)).view(b, 3, h // 8, 8, w // 8, 8) @ d.T
    step = step.view(b, 3, 1, 8, 1, 8)
    y = torch.round(y / step) * step
    y = (d.T @ (y @ d).reshape(b, 3, h // 8, 8, w)).view(b, 3, h, w)
    y = torch.cat([y[:, :1] + 128, y[:, 1:]], 1)
    back = torch.linalg.inv(rot)
    return (torch.einsum("ck,bkhw->bchw", back, y) / 255).clamp(0, 1)


def _boxed(x: Tensor, radius: int) -> Tensor:
    return nn.avg_pool2d(x, 2 * radius + 1, 1, radius, count_include_pad=False)


def smoothed(x: Tensor, strength: Tensor, radius: int = 3) -> Tensor:
    """Noise reduction that keeps edges: the self-guided filter.

    K. He, J. Sun, X. Tang, "Guided image filtering", IEEE PAMI 35 (2013), equations 5 and 8 with
    the picture as its own guide. ``strength`` (B, 1, 1, 1) is the deviation taken for noise.
    """
    mean = _boxed(x, radius)
    var = (_boxed(x * x, radius) - mean * mean).clamp_min(0)
    a = var / (var + strength.square() + 1e-8)
    return _boxed(a, radius) * x + _boxed((1 - a) * mean, radius)


def local_tone(x: Tensor, power: Tensor) -> Tensor:
    """Bright regions held back and dark ones lifted, by the picture's own wide average.

    x (B, 3, H, W) linear, H and W multiples of 16; ``power`` (B, 1, 1, 1), 0 changes nothing.
    """
    small = nn.avg_pool2d(x.mean(1, keepdim=True), 16)
    wide = _boxed(_boxed(small, 3), 3)
    wide = nn.interpolate(wide, scale_factor=16.0, mode="bilinear", align_corners=False)
    level = wide.mean((1, 2, 3), keepdim=True).clamp_min(1e-4)
    return x * ((wide + 0.05 * level) / (1.05 * level)) ** -power


def fallen_shade(x: Tensor, depth: Tensor) -> Tensor:
    """A wide shade across the picture: who takes the photo, a window's frame, a shelf.

    x (B, 3, H, W) linear; ``depth`` (B, 1, 1, 1) is the share of light that the shade takes, 0
    changes nothing. Its border is a wavy line, blurred over 0.5 to 25 % of the picture's side.
    """
    b, _, h, w = x.shape
    ys = torch.linspace(-1, 1, h, device=x.device).view(1, 1, h, 1)
    xs = torch.linspace(-1, 1, w, device=x.device).view(1, 1, 1, w)
    turn = _uniform(b, 0, 2 * math.pi, x)
    waves = torch.randn(b, 1, 5, 5, device=x.device) * _uniform(b, 0.0, 0.5, x)
    waves = nn.interpolate(waves, size=(h, w), mode="bicubic", align_corners=True)
    away = torch.cos(turn) * xs + torch.sin(turn) * ys + waves + _uniform(b, -0.8, 0.8, x)
    dark = torch.sigmoid(4 * away / _log_uniform(b, 0.01, 0.5, x))
    tint = 1 + 0.08 * torch.randn(b, 3, 1, 1, device=x.device)  # lit by another light
    return x * (1 - (depth * tint).clamp(0, 0.95) * dark)


def photographed_alike(light: Tensor, step_mm: Tensor, views: int) -> Tensor:
    """`photograph` of groups of ``views`` pictures, each group by one phone in one light.

    Exposure, tones, fallen shade, lens and JPEG are drawn once a group, noise for each picture.
    """
    out = light.new_empty(len(light), 3, light.shape[2] // 2, light.shape[3] // 2)
    grain = torch.Generator(light.device)
    grain.manual_seed(int(torch.randint(1 << 40, (1,))))
    cuda = light.device.type == "cuda"
    state = torch.cuda.get_rng_state() if cuda else torch.get_rng_state()
    for k in range(views):
        if cuda:
            torch.cuda.set_rng_state(state)
        else:
            torch.set_rng_state(state)
        out[k::views] = photograph(light[k::views].contiguous(), step_mm[k::views], grain)
    return out


def photograph(
    light: Tensor, step_mm: Tensor | None = None, grain: torch.Generator | None = None
) -> Tensor:
    """A phone's picture of linear light (B, 3, 4S, 4S), rectified: (B, 3, 2S, 2S) sRGB 0..1.

    ``step_mm`` (B,) is the side of a cell, four samples; 1 mm where it is not given. A phone's
    pixel stays as large on the sheet, so that finer cells are blurred over more samples. The
    sensor's noise is drawn from ``grain``, if given, all else from the common generator.
    """
    b, _, h, w = light.shape
    fine = 1.0 if step_mm is None else (1 / step_mm.to(light.device)).view(b, 1, 1, 1)
    x = light.float()
    luma = x.mean(1).flatten(1)[:, ::37]
    white = torch.quantile(luma, 0.9, dim=1).view(b, 1, 1, 1).clamp_min(1e-4)
    x = x / white * _log_uniform(b, 0.18, 1.15, x)
    x = x * torch.exp(torch.randn(b, 3, 1, 1, device=x.device) * _uniform(b, 0.0, 0.14, x))
    ys = torch.linspace(-1, 1, h, device=x.device).view(1, 1, h, 1) + _uniform(b, -1.5, 1.5, x)
    xs = torch.linspace(-1, 1, w, device=x.device).view(1, 1, 1, w) + _uniform(b, -1.5, 1.5, x)
    x = x * (1 - _uniform(b, 0, 0.16, x) * (xs**2 + ys**2) / 2).clamp_min(0.1)
    shaded = _uniform(b, 0, 1, x) < 0.25
    x = fallen_shade(x, torch.where(shaded, _uniform(b, 0.1, 0.75, x), torch.zeros_like(white)))
    toned = _uniform(b, 0, 1, x) < 0.4
    x = local_tone(x, torch.where(toned, _uniform(b, 0.1, 0.6, x), torch.zeros_like(white)))
    lens = _log_uniform(b, 0.4, 3.2, x) * fine
    lens = torch.where(_uniform(b, 0, 1, x) < 0.06, lens * 2, lens)
    tilt = torch.where(
        _uniform(b, 0, 1, x) < 0.4, _log_uniform(b, 0.5, 2, x), torch.ones_like(lens)
    )
    x = blur(x, lens, 10, lens * tilt)
    shot, read = _log_uniform(b, 3e-6, 1e-3, x), _log_uniform(b, 1e-4, 5e-3, x)
    drawn = torch.randn(x.shape, generator=grain, device=x.device, dtype=x.dtype)
    noise = drawn * torch.sqrt(shot * x.clamp_min(0) + read**2)
    noise = torch.where(
        _uniform(b, 0, 1, x) < 0.5, blur(noise, _uniform(b, 0.5, 1.6, x), 5) * 1.5, noise
    )
    x = srgb(x + noise)
    calm = _uniform(b, 0, 1, x)
    x = torch.where(calm < 0.4, smoothed(x, 0.12 * calm), x)
    bend = _uniform(b, -0.25, 0.5, x)  # tone curve: S-shaped, or flatter
    x = x + bend * (x - 0.5) * x * (1 - x) * 2
    sat = _uniform(b, 0.6, 1.35, x)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * sat
    soft = blur(x, _uniform(b, 0.8, 3.2, x))
    sharp = _uniform(b, 0.0, 1.3, x)
    sharp = torch.where(_uniform(b, 0, 1, x) < 0.1, sharp * 2, sharp)
    x = (x + (x - soft) * sharp).clamp(0, 1)
    x = jpeg(x, _uniform(b, 45, 98, x))
    return nn.avg_pool2d(blur(x, _log_uniform(b, 0.2, 1.6, x), 5), 2)
