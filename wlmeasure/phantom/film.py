"""From path lengths to stored values: transmission, blur, quantum and read noise, saturation, tone curve, bit depth."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError, check_finite
from wlmeasure.phantom.projection import Projection

__all__ = [
    "MATERIALS",
    "TONES",
    "Detector",
    "attenuation_per_mm",
    "beyond_corners",
    "expose",
    "jpeg",
    "scattered",
    "stored",
    "tone_curve",
    "transmission",
]

Float32 = NDArray[np.float32]
StoredImage = NDArray[np.uint8] | NDArray[np.uint16]

GROUP_WEIGHTS = (0.0361, 0.0687, 0.1021, 0.1543, 0.1941, 0.2301, 0.2145)
"""Shares of detected energy in seven groups (means 20.8, 25.2, 29.1, 33.5, 39.0, 45.9, 55.4 keV) of a 65 kVp dental spectrum
behind 2.5 mm of aluminium; computed once with spekpy 2.5.4, energy-integrating detector."""
MATERIALS: dict[str, tuple[float, ...]] = {
    "soft": (0.077, 0.0505, 0.0395, 0.0325, 0.0276, 0.0241, 0.0215),
    "trabecular": (0.2663, 0.1568, 0.1103, 0.0805, 0.06, 0.046, 0.036),
    "cortical": (0.7276, 0.4145, 0.2814, 0.1959, 0.1373, 0.0974, 0.0695),
    "dentine": (0.9608, 0.5443, 0.3671, 0.2534, 0.1754, 0.1223, 0.0853),
    "enamel": (1.704, 0.9577, 0.6402, 0.4364, 0.2967, 0.2018, 0.1359),
    "steel": (18.7767, 10.5994, 7.0271, 4.696, 3.0765, 1.9645, 1.1882),
    "silicone": (0.222, 0.1301, 0.0917, 0.0672, 0.0504, 0.039, 0.0309),
    "amalgam": (51.1693, 34.9067, 35.6946, 26.607, 17.8928, 11.6666, 7.1382),
    "composite": (1.9002, 1.1043, 0.7544, 0.5225, 1.3804, 1.0821, 0.6752),
    "alloy": (23.13, 13.2, 8.814, 5.92, 3.892, 2.491, 1.504),
    "gutta-percha": (5.077, 2.989, 2.01, 1.361, 0.8944, 0.5743, 0.3491),
    "ceramic": (0.7375, 0.42, 0.2867, 0.2015, 0.1434, 0.1041, 0.0765),
}
"""Linear attenuation, 1/mm, in the seven groups, from xraylib 4.3.0. Compositions and densities are round numbers from
memory: soft tissue as water, trabecular bone 1.3, cortical bone 1.9, dentine 2.14, enamel 2.9, steel 7.9, silicone 1.15,
amalgam 11, filled resin 2.2 g/cm3. Seven groups keep the transmission within 0.003 of the full spectrum. Alloy (Co 63, Cr 30,
Mo 7 %, 8.4 g/cm3) and ceramic (SiO2 64, Al2O3 17, K2O 12, Na2O 7 %, 2.45 g/cm3), compositions from memory, were added at the
groups' mean energies, times what the groups' means of steel and enamel are over their values there (0.3 to 4.5 %).
Gutta-percha points: zinc oxide 75, hydrocarbon 25 % by mass, 2.5 g/cm3, at the groups' mean energies; composition and
tabulated coefficients from memory; 4 to 6 mm of aluminium a millimetre."""
SCATTER_MM = 10.0
"""Standard deviation of the veil of scattered radiation, mm on the detector: broad against all that is looked at; our
parameter."""

TONES = ("linear", "gamma", "sigmoid", "log")
LOG_RANGE = 3.64
"""Attenuation that spans the log tone's range (natural logarithm); 65535 / 18000, our parameter."""


def attenuation_per_mm(material: str) -> float:
    """Attenuation of a thin layer of `material` for the unfiltered spectrum, 1/mm."""
    return float(np.dot(GROUP_WEIGHTS, MATERIALS[material]))


def transmission(paths_mm: Mapping[str, NDArray[np.floating]]) -> Float32:
    """Energy-weighted share of the beam behind `paths_mm` of each material (arrays of one shape); 1 = open beam.

    Raises
    ------
    PhantomError
        No path, or a material that is not in `MATERIALS`.
    """
    unknown = [name for name in paths_mm if name not in MATERIALS]
    if unknown or not paths_mm:
        raise PhantomError(f"materials must be some of {', '.join(MATERIALS)}: {', '.join(unknown) or 'none given'}")
    layers = [(MATERIALS[name], np.asarray(path, np.float32)) for name, path in paths_mm.items()]
    total = np.zeros(layers[0][1].shape, np.float32)
    for group, weight in enumerate(GROUP_WEIGHTS):
        exponent = np.zeros_like(total)
        for mu, path in layers:
            exponent -= np.float32(mu[group]) * path
        total += np.float32(weight) * np.exp(exponent)
    return total


@frozen
class Detector:
    """What turns exposure into stored values.

    Attributes
    ----------
    photons
        Mean count of one pixel in the open beam.
    blur_mm
        Standard deviation of focal spot, motion and converter together, on the detector; acts before the noise.
    noise_blur_px
        Standard deviation of the blur that signal and noise share (read-out), pixels.
    read_noise
        Standard deviation of the read-out, in counts.
    full_scale
        Exposure, as a share of the open beam, from which a pixel is saturated.
    tone, tone_strength
        Curve from exposure to stored value and its strength (gamma exponent, slope of the sigmoid).
    bits
        Bits of a stored value: 8, 12 or 16.
    """

    photons: float = 4000.0
    blur_mm: float = 0.04
    noise_blur_px: float = 0.5
    read_noise: float = 4.0
    full_scale: float = 0.8
    tone: str = "linear"
    tone_strength: float = 2.0
    bits: int = 12

    def __attrs_post_init__(self) -> None:
        if self.tone not in TONES:
            raise PhantomError(f"tone must be one of {', '.join(TONES)}: {self.tone!r}")
        if self.bits not in (8, 12, 16):
            raise PhantomError(f"bits must be 8, 12 or 16: {self.bits!r}")
        for name in ("photons", "full_scale", "tone_strength"):
            if not getattr(self, name) > 0.0:
                raise PhantomError(f"{name} must be > 0: {getattr(self, name):g}")
        for name in ("blur_mm", "noise_blur_px", "read_noise"):
            if not getattr(self, name) >= 0.0:
                raise PhantomError(f"{name} must be >= 0: {getattr(self, name):g}")


def tone_curve(exposure: NDArray[np.floating], tone: str, strength: float) -> Float32:
    """Shade in [0, 1] of exposures in [0, 1] of full scale: 1 for none (metal), 0 at full scale; never rises.

    linear 1 - u; gamma 1 - u^(1 / strength); sigmoid the density curve of film, a logistic function of log u with slope
    `strength` around u = 0.3; log the attenuation, linear up to `LOG_RANGE`.
    """
    u = np.clip(np.asarray(exposure, np.float32), np.float32(0.0), np.float32(1.0))
    if tone == "linear":
        shade = 1.0 - u
    elif tone == "gamma":
        shade = 1.0 - u ** np.float32(1.0 / strength)
    elif tone == "sigmoid":
        power = u ** np.float32(strength)
        knee = np.float32(0.3**strength)
        shade = 1.0 - power / (power + knee) * (1.0 + knee)
    else:
        shade = np.minimum(-np.log(np.maximum(u, np.float32(np.exp(-LOG_RANGE)))) / np.float32(LOG_RANGE), 1.0)
    result: Float32 = np.clip(shade, 0.0, 1.0).astype(np.float32)
    return result


def scattered(beam: Float32, projection: Projection, fraction: float) -> Float32:
    """Transmission with a veil of scattered radiation on it, whose energy over the image is `fraction` of the primary's.

    The veil is the primary smoothed over `SCATTER_MM`, mirrored at the borders. A small object's contrast over its own
    background falls to about 1 / (1 + fraction).

    Raises
    ------
    PhantomError
        A fraction that is negative.
    """
    if not check_finite(PhantomError, "fraction", fraction) >= 0.0:
        raise PhantomError(f"fraction must be >= 0: {fraction:g}")
    spacing = (projection.mm_per_px_row, projection.mm_per_px_col)
    rows, cols = beam.shape
    # Nothing in it is finer than centimetres: a tenth of the width is fine enough a grid.
    size = [max(round(n * mm / (0.1 * SCATTER_MM)), 1) for n, mm in zip((rows, cols), spacing, strict=True)]
    coarse = cv2.resize(beam, (size[1], size[0]), interpolation=cv2.INTER_AREA)
    sigma = [SCATTER_MM / (n * mm / k) for n, mm, k in zip((rows, cols), spacing, size, strict=True)]
    broad = cv2.GaussianBlur(coarse, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0], borderType=cv2.BORDER_REFLECT)
    veil = cv2.resize(broad.reshape(coarse.shape), (cols, rows), interpolation=cv2.INTER_LINEAR)
    share = fraction * float(beam.mean(dtype=np.float64)) / max(float(veil.mean(dtype=np.float64)), 1e-12)
    result: Float32 = beam + np.float32(share) * np.asarray(veil, np.float32)
    return result


def _blurred(image: Float32, sigma_row: float, sigma_col: float) -> Float32:
    if max(sigma_row, sigma_col) < 1e-3:
        return image
    blurred = cv2.GaussianBlur(
        image, (0, 0), sigmaX=max(sigma_col, 1e-3), sigmaY=max(sigma_row, 1e-3), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(blurred, np.float32)


def expose(beam: Float32, projection: Projection, detector: Detector, rng: np.random.Generator | None) -> StoredImage:
    """Stored values (rows, cols), metal bright, of a transmission image; without noise where `rng` is None."""
    seen = _blurred(beam, detector.blur_mm / projection.mm_per_px_row, detector.blur_mm / projection.mm_per_px_col)
    if rng is not None:
        counts = rng.poisson(np.maximum(seen, 0.0) * np.float32(detector.photons)).astype(np.float32)
        counts += np.float32(detector.read_noise) * rng.standard_normal(seen.shape, dtype=np.float32)
        seen = counts / np.float32(detector.photons)
    seen = _blurred(seen, detector.noise_blur_px, detector.noise_blur_px)
    shade = tone_curve(seen / np.float32(detector.full_scale), detector.tone, detector.tone_strength)
    return stored(shade, detector.bits)


def stored(shade: Float32, bits: int) -> StoredImage:
    """Values of so many bits of shades in [0, 1]."""
    values: Float32 = np.rint(shade * np.float32(2**bits - 1))
    return values.astype(np.uint8) if bits == 8 else values.astype(np.uint16)


def beyond_corners(shape: tuple[int, int], radius_px: float) -> NDArray[np.bool_]:
    """True where a pixel lies outside the rounded corners of an image."""
    rows, cols = shape
    r = np.minimum(np.arange(rows), np.arange(rows)[::-1])[:, None]
    c = np.minimum(np.arange(cols), np.arange(cols)[::-1])[None, :]
    outside: NDArray[np.bool_] = (
        (r < radius_px) & (c < radius_px) & (np.hypot(radius_px - r, radius_px - c) > radius_px)
    )
    return outside


def jpeg(image: StoredImage, quality: int) -> tuple[StoredImage, bytes]:
    """An 8-bit image as it comes back from JPEG, and the file's bytes.

    Raises
    ------
    PhantomError
        A quality outside 1 to 100, or an image of more than 8 bits.
    """
    if not 1 <= quality <= 100:
        raise PhantomError(f"jpeg_quality must be 1 to 100: {quality}")
    if image.dtype != np.uint8:
        raise PhantomError("jpeg_quality must be None for more than 8 bits: set bits to 8")
    data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    return np.asarray(back, np.uint8), data


def trabecular_texture(shape: tuple[int, int], spacing_mm: tuple[float, float], rng: np.random.Generator) -> Float32:
    """Bone pattern of mean 0 on pixels of `spacing_mm`: struts around marrow spaces of about a mm, standard deviation 1.

    Ridges of band-limited noise, three sheets deep, and a drift over centimetres on top of that deviation; our parameters,
    judged by eye only.
    """
    step = max(1, int(0.06 / max(spacing_mm)))  # nothing in it is finer than 0.2 mm
    rows, cols = (cv2.getOptimalDFTSize(-(-n // step)) for n in shape)
    fy = np.fft.fftfreq(rows, step * spacing_mm[0])[:, None]
    fx = np.fft.rfftfreq(cols, step * spacing_mm[1])[None, :]
    f = np.hypot(fy, fx)

    def noise(amplitude: NDArray[np.floating]) -> NDArray[np.float64]:
        phase = rng.standard_normal(f.shape) + 1j * rng.standard_normal(f.shape)
        field: NDArray[np.float64] = np.fft.irfft2(phase * amplitude, s=(rows, cols))
        even: NDArray[np.float64] = field / field.std()
        return even

    total = np.zeros((rows, cols))
    for wave_mm in (0.9, 1.3, 2.0):  # mean distance of neighbouring struts in a sheet
        band = np.exp(-0.5 * ((f - 0.5 / wave_mm) / (0.25 / wave_mm)) ** 2)
        total += np.exp(-2.0 * np.abs(noise(band)))
    total = (total - total.mean()) / total.std()
    # Attenuation drifts over centimetres as well; that is no texture, and counts on top of it.
    slow = noise(np.where((f > 0.0) & (f < 0.2), np.maximum(f, 0.03) ** -1.0, 0.0))
    total = 0.9 * total + 0.45 * noise(np.where((f > 0.2) & (f < 5.0), np.maximum(f, 0.2) ** -1.5, 0.0)) + slow
    large = cv2.resize(total.astype(np.float32), (cols * step, rows * step), interpolation=cv2.INTER_CUBIC)[
        : shape[0], : shape[1]
    ]
    result: Float32 = large - large.mean()
    return result
