"""Films changed on the GPU: turned, mirrored, scaled, and taken through what scanners, sensors and clinic software do.

Everything is drawn anew for every film of every batch. Lines and points are kept as distances (`labels.Raster`) and become
bells after the change of scale, so that a bell is always as wide on the network's pixels.
"""

from __future__ import annotations

import math

import torch
from attrs import frozen
from torch import Tensor
from torch.nn import functional

from wlmeasure.detect.channels import AREAS, LINES, POINTS, SPREAD_PX, WORKING_PITCH_MM, Channel
from wlmeasure.detect.training.films import FRAME

__all__ = ["WINDOWS", "Batch", "batch_of", "plain_batch"]

WINDOWS = ((448, 320), (320, 448))
"""What the network sees at once; the fewer shapes, the less time goes by on choosing how to convolve them."""
PITCH_MM = (0.052, 0.115)
"""Pixel size at which a film is looked at in training; the least and the most are the fewest."""


@frozen(eq=False)
class Batch:
    """What is learnt in a step: greys (N, 1, R, C), bells (N, 11, R, C), where they count (N, 11, R, C), pixel size (N,)."""

    greys: Tensor
    target: Tensor
    counts: Tensor
    log_pitch: Tensor
    periapical: Tensor


class _Draw:
    """Random numbers shaped like one a film."""

    def __init__(self, count: int, device: torch.device) -> None:
        self.count, self.device = count, device

    def even(self, low: float, high: float) -> Tensor:
        return torch.empty(self.count, 1, 1, 1, device=self.device).uniform_(low, high)

    def normal(self, mean: float, std: float) -> Tensor:
        return torch.empty(self.count, 1, 1, 1, device=self.device).normal_(mean, std)

    def chance(self, share: float) -> Tensor:
        return (self.even(0.0, 1.0) < share).float()

    def mist(self, rows: int, cols: int, shape: tuple[int, int], way: str = "bicubic") -> Tensor:
        """Smooth noise: normal numbers on a coarse grid, drawn out."""
        coarse = torch.randn(self.count, 1, max(rows, 2), max(cols, 2), device=self.device)
        return functional.interpolate(coarse, shape, mode=way, align_corners=False)


def blurred(x: Tensor, sigma: float) -> Tensor:
    """A Gaussian blur of the same width for all films of a batch."""
    reach = max(1, math.ceil(3.0 * sigma))
    at = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-0.5 * (at / sigma) ** 2)
    kernel = kernel / kernel.sum()
    x = functional.conv2d(functional.pad(x, (reach, reach, 0, 0), mode="replicate"), kernel.view(1, 1, 1, -1))
    return functional.conv2d(functional.pad(x, (0, 0, reach, reach), mode="replicate"), kernel.view(1, 1, -1, 1))


def broad(x: Tensor, sigma: float) -> Tensor:
    """A wide blur on a quarter of the pixels."""
    if sigma < 6.0:
        return blurred(x, sigma)
    small = functional.avg_pool2d(x, 4, ceil_mode=True)
    return functional.interpolate(blurred(small, sigma / 4.0), x.shape[-2:], mode="bilinear", align_corners=False)


def _laid(draw: _Draw, films: Tensor, mm_per_px: Tensor, window: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """How the window lies on its film, for `affine_grid`, and the pixel size there, mm."""
    n, device = draw.count, draw.device
    low, high = PITCH_MM
    middle = WORKING_PITCH_MM
    # Around the working pitch most, and out to both ends.
    log = torch.randn(n, device=device) * 0.24 + math.log(middle)
    pitch = log.clamp(math.log(low), math.log(high)).exp()
    zoom = pitch / mm_per_px
    rows = (films >> 7).amax(2).sum(1).float()
    cols = (films >> 7).amax(1).sum(1).float()
    # Stood up, a film is longer than wide; a window that lies on its side sees it turned by a right angle.
    quarter = torch.full((n,), 1.0 if window[1] > window[0] else 0.0, device=device)
    kind = torch.rand(n, device=device)
    quarter = torch.where(kind < 0.5, quarter + 2.0 * (torch.rand(n, device=device) < 0.5), quarter)
    quarter = torch.where(kind > 0.9, torch.randint(0, 4, (n,), device=device).float(), quarter)
    angle = quarter * (math.pi / 2) + torch.randn(n, device=device) * math.radians(7.0)
    angle = torch.where((kind > 0.8) & (kind < 0.9), torch.rand(n, device=device) * 2.0 * math.pi, angle)
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    squeeze = torch.exp(torch.randn(n, device=device) * 0.03)
    c, s = torch.cos(angle), torch.sin(angle)
    half_r, half_c = 0.5 * window[0] * zoom, 0.5 * window[1] * zoom
    # The middle wanders as far as there is more film than window, and a little beyond.
    wide_r = half_r * c.abs() + half_c * s.abs()
    wide_c = half_r * s.abs() + half_c * c.abs()
    loose_r = (rows / 2 - wide_r).abs() + 12.0
    loose_c = (cols / 2 - wide_c).abs() + 12.0
    at_r = rows / 2 + (2.0 * torch.rand(n, device=device) - 1.0) * loose_r
    at_c = cols / 2 + (2.0 * torch.rand(n, device=device) - 1.0) * loose_c
    theta = torch.zeros(n, 2, 3, device=device)
    theta[:, 0, 0] = c * half_c * mirror * squeeze / (FRAME[1] / 2)
    theta[:, 0, 1] = -s * half_r / (FRAME[1] / 2)
    theta[:, 1, 0] = s * half_c * mirror * squeeze / (FRAME[0] / 2)
    theta[:, 1, 1] = c * half_r / (FRAME[0] / 2)
    theta[:, 0, 2] = at_c / (FRAME[1] / 2) - 1.0
    theta[:, 1, 2] = at_r / (FRAME[0] / 2) - 1.0
    return theta, pitch


def _averaged(greys: Tensor, theta: Tensor, window: tuple[int, ...], beyond: str) -> Tensor:
    """Greys on the window, each the mean of four samples, since its pixels are larger than the film's."""
    fine = functional.affine_grid(theta, [len(theta), 1, 2 * window[0], 2 * window[1]], align_corners=False)
    seen = functional.grid_sample(greys[:, None].float(), fine, align_corners=False, padding_mode=beyond)
    return functional.avg_pool2d(seen, 2)


def _targets(distance: Tensor, bits: Tensor, grid: Tensor, zoom: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Bells and areas, where they count, and where the film is, on the window."""
    away = functional.grid_sample(distance.float(), grid, align_corners=False, padding_mode="border")
    away = away / 16.0 / zoom.view(-1, 1, 1, 1)
    at = functional.grid_sample(bits[:, None].float(), grid, mode="nearest", align_corners=False).to(torch.uint8)
    film = (at >> 7).float()
    target = torch.zeros(len(at), len(Channel), *at.shape[-2:], device=at.device)
    for k, channel in enumerate(LINES):
        target[:, channel] = torch.exp(-0.5 * (away[:, k] / SPREAD_PX["line"]) ** 2)
    for k, channel in enumerate(POINTS, start=len(LINES)):
        target[:, channel] = torch.exp(-0.5 * (away[:, k] / SPREAD_PX["point"]) ** 2)
    for k, channel in enumerate(AREAS):
        target[:, channel] = ((at[:, 0] >> k) & 1).float()
    target = target * film
    counts = torch.ones_like(target)
    hidden = ((at[:, 0] >> 6) & 1).float()
    counts[:, Channel.CANAL] = 1.0 - hidden * (target[:, Channel.CANAL] < 0.3)
    return target, counts, film


def _bone(draw: _Draw, x: Tensor, share: float) -> Tensor:
    """More bone over the film: a network of bright lines, and texture in a band."""
    n, shape = draw.count, (x.shape[-2], x.shape[-1])
    body = torch.sigmoid((blurred(x, 2.0) - 0.10) / 0.03)
    struts = torch.zeros_like(x)
    for cells in (26, 44, 72, 120):
        z = draw.mist(cells * shape[0] // 416, cells * shape[1] // 416, shape)
        struts = struts + draw.even(0.0, 1.0) * torch.exp(-((z / draw.even(0.12, 0.35)) ** 2))
    x = x + draw.chance(share) * body * draw.even(0.0, 0.09) * (struts - struts.mean((2, 3), keepdim=True))
    z = torch.randn(n, 1, *shape, device=x.device)
    sigma = 0.6 + 1.6 * float(torch.rand(1))
    z = blurred(z, sigma) - blurred(z, 2.2 * sigma)
    return x + draw.chance(share) * body * draw.even(0.0, 0.04) * z / (z.std() + 1e-6)


def _strangers(draw: _Draw, x: Tensor, most: int) -> Tensor:
    """Curves, bright or dark, that are nothing of what is looked for."""
    rows = torch.arange(x.shape[-2], device=x.device, dtype=x.dtype).view(1, 1, -1, 1)
    cols = torch.arange(x.shape[-1], device=x.device, dtype=x.dtype).view(1, 1, 1, -1)
    for _ in range(int(torch.randint(1, most + 1, (1,)))):
        angle = draw.even(0.0, 2.0 * math.pi)
        r, c = rows - draw.even(0.0, x.shape[-2]), cols - draw.even(0.0, x.shape[-1])
        along = torch.cos(angle) * r + torch.sin(angle) * c
        across = torch.cos(angle) * c - torch.sin(angle) * r + draw.normal(0.0, 0.0025) * along**2
        ends = torch.sigmoid((draw.even(15.0, 160.0) - along.abs()) / 2.0)
        x = x + draw.chance(0.4) * draw.even(-0.08, 0.08) * ends * torch.exp(-0.5 * (across / draw.even(0.7, 3.0)) ** 2)
    return x


def _jpeg(draw: _Draw, x: Tensor) -> Tensor:
    """What JPEG at a poor quality leaves: 8 x 8 cosine terms rounded, the finer the coarser."""
    k = torch.arange(8, device=x.device, dtype=x.dtype)
    cosine = torch.cos((2.0 * k.view(1, 8) + 1.0) * k.view(8, 1) * math.pi / 16.0) * 0.5
    cosine[0] = math.sqrt(1.0 / 8.0)
    n, _, rows, cols = x.shape
    parts = x.view(n, rows // 8, 8, cols // 8, 8)
    terms = torch.einsum("ui,nridj,vj->nrduv", cosine, parts, cosine)
    step = (0.004 + 0.006 * (k.view(8, 1) + k.view(1, 8))) * draw.even(0.4, 5.0)
    step = step.view(n, 1, 1, 8, 8)
    terms = torch.round(terms / step) * step
    return torch.einsum("ui,nrduv,vj->nridj", cosine, terms, cosine).reshape(n, 1, rows, cols)


def _tone(draw: _Draw, x: Tensor) -> Tensor:
    """Gamma, window, and sometimes few greys."""
    x = x.clamp(1e-4, 1.5) ** torch.exp(draw.normal(-0.1, 0.4))
    low, high = draw.even(-0.06, 0.10), draw.even(0.78, 1.2)
    x = ((x - low) / (high - low)).clamp(0.0, 1.0)
    few = draw.chance(0.2)
    greys = draw.even(24.0, 255.0).round()
    return few * (x * greys).round() / greys + (1.0 - few) * x


def _coin(share: float) -> bool:
    return float(torch.rand(1)) < share


def _software(draw: _Draw, x: Tensor) -> Tensor:
    """Blur, sharpening, local contrast and noise, in the order in which a picture meets them."""
    if _coin(0.5):
        x = torch.lerp(x, blurred(x, 0.4 + 1.2 * float(torch.rand(1))), draw.chance(0.7))
    x = x + draw.chance(0.7) * draw.even(0.0, 0.035) * torch.randn_like(x)
    if _coin(0.5):
        x = x + draw.chance(0.7) * draw.even(0.0, 2.2) * (x - broad(x, 1.0 + 5.0 * float(torch.rand(1))))
    if _coin(0.3):
        base = broad(x, 8.0 + 25.0 * float(torch.rand(1)))
        spread = (broad((x - base) ** 2, 18.0).clamp_min(0.0) + 1e-3).sqrt()
        x = torch.lerp(x, 0.5 + 0.18 * (x - base) / spread, draw.chance(0.7) * draw.even(0.1, 0.8))
    if _coin(0.25):
        x = torch.lerp(x, _jpeg(draw, x.clamp(0.0, 1.0)), draw.chance(0.8))
    return x


def _frame(draw: _Draw, x: Tensor, film: Tensor) -> tuple[Tensor, Tensor]:
    """Cuts of the collimator, rounded corners; what is not film is black, white, or one grey."""
    rows = torch.linspace(-1.0, 1.0, x.shape[-2], device=x.device).view(1, 1, -1, 1)
    cols = torch.linspace(-1.0, 1.0, x.shape[-1], device=x.device).view(1, 1, 1, -1)
    angle = draw.even(0.0, 2.0 * math.pi)
    cut = (torch.cos(angle) * cols + torch.sin(angle) * rows > draw.even(0.8, 1.6)).float() * draw.chance(0.15)
    round_ = ((rows.abs() ** 6 + cols.abs() ** 6) > draw.even(1.0, 1.9)).float() * draw.chance(0.15)
    film = film * (1.0 - torch.maximum(cut, round_))
    beside = torch.where(draw.even(0.0, 1.0) < 0.6, torch.zeros_like(angle), draw.even(0.0, 1.0))
    return x * film + beside * (1.0 - film), film


def _normal(x: Tensor, film: Tensor) -> Tensor:
    """Mean 0 and standard deviation 1 over the film or, for one film in two, over the whole window."""
    over = torch.where(torch.rand(len(x), 1, 1, 1, device=x.device) < 0.5, film, torch.ones_like(film))
    weight = over.sum((2, 3), keepdim=True).clamp_min(1.0)
    mean = (x * over).sum((2, 3), keepdim=True) / weight
    std = (((x - mean) ** 2 * over).sum((2, 3), keepdim=True) / weight).sqrt()
    return (x - mean) / (std + 1e-3)


def batch_of(
    greys: Tensor, distance: Tensor, bits: Tensor, mm_per_px: Tensor, periapical: Tensor, window: tuple[int, int],
    older: Tensor,
) -> Batch:  # fmt: skip
    """A batch of changed films.

    Parameters
    ----------
    greys, distance, bits
        (N, R, C) float16, (N, 8, R, C) and (N, R, C) uint8: films of the pool.
    mm_per_px, periapical
        (N,): pixel size of each film, and 1 where it is a periapical one.
    window
        Rows and columns of what the network sees.
    older
        (N,): 1 for a film of the older levels, which lack bone: it gets more of it here.
    """
    draw = _Draw(len(greys), greys.device)
    theta, pitch = _laid(draw, bits, mm_per_px, window)
    grid = functional.affine_grid(theta, [len(theta), 1, *window], align_corners=False)
    x = _averaged(greys, theta, window, "border")
    target, counts, film = _targets(distance, bits, grid, pitch / mm_per_px)
    if _coin(0.5):
        lit = draw.mist(4, 4, window)
        x = x * (1.0 + draw.even(0.0, 0.2) * lit) + draw.even(0.0, 0.1) * lit
    plain = older.view(-1, 1, 1, 1).float()
    bony = _bone(draw, x, 0.8)
    x = torch.lerp(x, bony, torch.maximum(plain, draw.chance(0.3)))
    if _coin(0.6):
        x = _strangers(draw, x, 5)
    x = _software(draw, _tone(draw, x)).clamp(0.0, 1.0)
    x, film = _frame(draw, x, film)
    target = target * film
    return Batch(_normal(x, film), target, counts, (pitch / WORKING_PITCH_MM).log(), periapical)


@torch.no_grad()
def plain_batch(
    greys: Tensor, distance: Tensor, bits: Tensor, mm_per_px: Tensor, periapical: Tensor, pitch_mm: float
) -> Batch:
    """Films as they are, at one pixel size: for the figures of the log."""
    n = len(greys)
    window = tuple(int(-(-side * 0.05 / pitch_mm // 32) * 32) for side in FRAME)
    theta = torch.zeros(n, 2, 3, device=greys.device)
    half = [0.5 * side * pitch_mm / mm_per_px for side in window]
    theta[:, 0, 0], theta[:, 1, 1] = half[1] / (FRAME[1] / 2), half[0] / (FRAME[0] / 2)
    theta[:, 0, 2], theta[:, 1, 2] = half[1] / (FRAME[1] / 2) - 1.0, half[0] / (FRAME[0] / 2) - 1.0
    grid = functional.affine_grid(theta, [n, 1, *window], align_corners=False)
    x = _averaged(greys, theta, window, "zeros")
    target, counts, film = _targets(distance, bits, grid, pitch_mm / mm_per_px)
    weight = film.sum((2, 3), keepdim=True).clamp_min(1.0)
    mean = (x * film).sum((2, 3), keepdim=True) / weight
    std = (((x - mean) ** 2 * film).sum((2, 3), keepdim=True) / weight).sqrt()
    log = torch.full((n,), math.log(pitch_mm / WORKING_PITCH_MM), device=greys.device)
    return Batch((x - mean) / (std + 1e-3) * film, target, counts, log, periapical)
