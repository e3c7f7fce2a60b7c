"""Transmission and stored values against the independent simulator, and the laws of counting, tone and bits."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.film import (
    MATERIALS,
    SCATTER_MM,
    TONES,
    Detector,
    expose,
    jpeg,
    scattered,
    tone_curve,
    trabecular_texture,
    transmission,
)
from wlmeasure.phantom.projection import aim
from wlmeasure.phantom.rays import cross

FILMS = Path(__file__).resolve().parents[2] / "sample_images" / "films"
SOFT_MM, BONE_MM = 8.0, 4.0  # what the simulator lays over its scene


def scene_paths(root, canal, file, stop):
    """How the simulator nests its bodies."""
    return {
        "dentine": root - canal,
        "steel": file,
        "soft": np.maximum(canal - np.minimum(file, canal), 0.0) + SOFT_MM,
        "silicone": np.maximum(stop - file, 0.0),
        "trabecular": np.full_like(root, BONE_MM),
    }


def test_transmission_is_that_of_the_simulators_full_spectrum(path_rows):
    """Seven groups of energy against 55 energies, behind tooth, file and stop: within 0.004 of the open beam."""
    paths = scene_paths(*(path_rows[f"{body}_mm"] for body in ("root", "canal", "file", "stop")))
    error = transmission(paths) - path_rows["transmission"]
    assert np.abs(error).max() < 0.004
    assert path_rows["transmission"].min() < 0.15  # metal is among them


@pytest.mark.parametrize("name", ["ref_p45_h25_v00", "ref_scurve_h30_v00"])
def test_a_remade_film_is_the_simulators_film(reference, name):
    """The whole chain against the sample film: no place differs by more than its quantum noise allows."""
    film = reference(name)
    projection = film.aim()
    lengths = {k: cross(s, projection, oversampling=2).on(film.shape) for k, s in film.solids().items()}
    detector = Detector(
        photons=3000.0, blur_mm=0.025, noise_blur_px=0.5, read_noise=0.0, full_scale=1.0, tone="linear", bits=12
    )
    beam = transmission(scene_paths(**lengths))
    ours = expose(beam, projection, detector, None).astype(float)
    theirs = cv2.imread(str(FILMS / f"{name}.png"), cv2.IMREAD_UNCHANGED).astype(float)
    assert ours.shape == theirs.shape
    rows, cols = (n // 10 for n in film.shape)
    blocks = (theirs - ours)[: rows * 10, : cols * 10].reshape(rows, 10, cols, 10).mean(axis=(1, 3))
    # One block of 100 pixels: sqrt(T / 3000) / 10 of noise, plus 0.004 for the groups of energy.
    share = 1.0 - ours[5::10, 5::10][:rows, :cols] / 4095
    allowed = 4095 * (0.004 + 5.5 * np.sqrt(np.maximum(share, 0.03) / 3000.0) / 10.0)
    assert (np.abs(blocks) < allowed).mean() > 0.9995
    assert np.abs(blocks.mean()) < 0.002 * 4095
    assert np.corrcoef(theirs.ravel(), ours.ravel())[0, 1] > 0.99


def flat(shade, rows=60, cols=50):
    projection = aim(source_object_mm=200.0, source_detector_mm=210.0, rows=rows, cols=cols, spacing_mm=(0.02, 0.04))
    return np.full((rows, cols), shade, np.float32), projection


def test_more_of_any_material_lets_less_through():
    for name in MATERIALS:
        shown = transmission({name: np.linspace(0.0, 0.5, 50)})
        assert (np.diff(shown) < 0.0).all()
    assert transmission({"steel": np.zeros(1)})[0] == pytest.approx(1.0, abs=1e-3)
    order = [transmission({name: np.ones(1)})[0] for name in ("soft", "trabecular", "dentine", "enamel", "steel")]
    assert order == sorted(order, reverse=True)


def test_an_unknown_material_is_refused():
    with pytest.raises(PhantomError, match=r"materials must be some of soft, .*: gold"):
        transmission({"gold": np.ones(1)})
    with pytest.raises(PhantomError, match="none given"):
        transmission({})


@pytest.mark.parametrize("tone", TONES)
@given(st.floats(0.8, 4.0))
def test_tone_curves_fall_from_metal_to_full_scale(tone, strength):
    u = np.linspace(0.0, 1.0, 500)
    shade = tone_curve(u, tone, strength)
    assert (np.diff(shade) <= 1e-6).all()
    assert shade[0] == pytest.approx(1.0, abs=1e-6)
    assert shade[-1] == pytest.approx(0.0, abs=1e-6)
    assert (np.diff(shade[30:-30]) < 0.0).all()
    np.testing.assert_array_equal(tone_curve([1.5, -0.1], tone, strength), [shade[-1], shade[0]])


@pytest.mark.parametrize(("bits", "kind"), [(8, np.uint8), (12, np.uint16), (16, np.uint16)])
def test_stored_values_fill_their_bits(bits, kind):
    for shade, stored in ((0.0, 2**bits - 1), (1.0, 0)):  # no exposure: metal, bright; full scale: saturated, dark
        beam, projection = flat(shade)
        image = expose(beam, projection, Detector(bits=bits, tone="linear"), None)
        assert image.dtype == kind
        assert (image == stored).all()


def test_noise_is_that_of_counting():
    """Poisson counts plus read-out noise: the variance is (T N + r^2) / N^2 of the open beam."""
    beam, projection = flat(0.3, 400, 300)
    detector = Detector(
        photons=900.0, blur_mm=0.0, noise_blur_px=0.0, read_noise=12.0, full_scale=1.0, tone="linear", bits=16
    )
    image = expose(beam, projection, detector, np.random.default_rng(1)) / 65535
    assert 1.0 - image.mean() == pytest.approx(0.3, abs=3e-4)
    assert image.std() == pytest.approx(np.sqrt(0.3 * 900 + 144) / 900, rel=0.01)


def test_blur_is_in_mm_on_unequal_pixels_and_acts_on_the_transmission():
    """A step seen at both spacings: its width in mm is the same along rows and columns."""
    beam, projection = flat(1.0, 200, 200)
    detector = Detector(blur_mm=0.1, noise_blur_px=0.0, full_scale=2.0, tone="linear", bits=16)
    widths = []
    for axis, spacing in ((0, 0.02), (1, 0.04)):
        step = beam.copy()
        step[(slice(100, None), slice(None)) if axis == 0 else (slice(None), slice(100, None))] = 0.2
        edge = 1.0 - expose(step, projection, detector, None).astype(float) / 65535
        line = np.diff(edge[:, 100] if axis == 0 else edge[100])
        middle = np.arange(line.size) * spacing
        mean = (middle * line).sum() / line.sum()
        widths.append(np.sqrt(((middle - mean) ** 2 * line).sum() / line.sum()))
    assert widths == pytest.approx([0.1, 0.1], abs=0.004)


def test_jpeg_gives_back_what_its_bytes_hold():
    image = (np.random.default_rng(2).random((64, 48)) * 255).astype(np.uint8)
    back, data = jpeg(image, 90)
    np.testing.assert_array_equal(back, cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED))
    assert 0 < np.abs(back.astype(int) - image).mean() < 20
    with pytest.raises(PhantomError, match="jpeg_quality must be 1 to 100: 0"):
        jpeg(image, 0)
    with pytest.raises(PhantomError, match="jpeg_quality must be None for more than 8 bits"):
        jpeg(image.astype(np.uint16), 90)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"tone": "sepia"}, "tone must be one of linear, gamma, sigmoid, log: 'sepia'"),
        ({"bits": 10}, "bits must be 8, 12 or 16: 10"),
        ({"photons": 0.0}, "photons must be > 0: 0"),
        ({"blur_mm": -0.1}, "blur_mm must be >= 0: -0.1"),
        ({"read_noise": float("nan")}, "read_noise must be >= 0: nan"),
    ],
)
def test_what_is_no_detector_is_refused(change, message):
    with pytest.raises(PhantomError, match=message):
        Detector(**change)


def test_bone_pattern_has_its_deviation_at_the_scale_of_struts():
    texture = trabecular_texture((700, 500), (0.03, 0.045), np.random.default_rng(3)).astype(float)
    spectrum = np.abs(np.fft.fft2(texture)) ** 2
    f = np.hypot(np.fft.fftfreq(700, 0.03)[:, None], np.fft.fftfreq(500, 0.045)[None, :])
    assert texture.mean() == pytest.approx(0.0, abs=1e-6)
    assert 0.7 < np.sqrt(spectrum[f > 0.2].sum()) / texture.size < 1.4
    # As wide as high in mm, though pixels are not square.
    along, across = (np.abs(np.diff(texture, axis=k)).mean() / step for k, step in ((0, 0.03), (1, 0.045)))
    assert along / across == pytest.approx(1.0, abs=0.2)


# --- scatter ------------------------------------------------------------------------------------------------------------


def wide(rows, cols, spacing):
    return aim(source_object_mm=200.0, source_detector_mm=210.0, rows=rows, cols=cols, spacing_mm=spacing)


@given(st.floats(0.01, 1.0), st.integers(0, 1000))
def test_the_veil_has_the_energy_that_was_asked_for(fraction, seed):
    """Its sum over the image is `fraction` of the primary's, it is nowhere negative, and nothing in it is fine."""
    rng = np.random.default_rng(seed)
    beam = rng.random((150, 120), dtype=np.float32)
    beam[40:90, 30:80] *= 0.1
    veil = (scattered(beam, wide(150, 120, (0.3, 0.2)), fraction) - beam).astype(np.float64)
    assert veil.sum() == pytest.approx(fraction * beam.sum(dtype=np.float64), rel=1e-5)
    assert veil.min() > 0.0
    # A slope of the smoothed primary is at most its range over sqrt(2 pi) sigma, per mm.
    steepest = fraction * 1.05 / (np.sqrt(2.0 * np.pi) * SCATTER_MM)
    assert np.abs(np.diff(veil, axis=0)).max() < 1.2 * steepest * 0.3
    assert np.abs(np.diff(veil, axis=1)).max() < 1.2 * steepest * 0.2


def test_the_veil_is_in_mm_on_unequal_pixels():
    """A half-plane's veil is the normal distribution's integral, sigma 10 mm, across rows and across columns."""
    projection = wide(300, 240, (0.4, 0.5))
    for axis, spacing in ((0, 0.4), (1, 0.5)):
        beam = np.zeros((300, 240), np.float32)
        beam[(slice(150, None), slice(None)) if axis == 0 else (slice(None), slice(120, None))] = 1.0
        veil = scattered(beam, projection, 0.3) - beam
        along = veil.mean(axis=1 - axis)
        mm = (np.arange(along.size) - (along.size - 1) / 2) * spacing
        middle = np.abs(mm) < 20.0
        np.testing.assert_allclose(along[middle], 0.3 * norm.cdf(mm[middle] / SCATTER_MM), atol=0.003)


@pytest.mark.parametrize("fraction", [0.1, 0.3])
def test_a_veil_lowers_the_contrast_of_a_small_object(fraction):
    """(background - object) / background falls by 1 / (1 + fraction): the object is too small to lower its own veil."""
    beam, projection = np.full((600, 600), 0.5, np.float32), wide(600, 600, (0.1, 0.1))
    beam[298:302, 298:302] = 0.2
    seen = scattered(beam, projection, fraction)
    contrast = (seen[300, 320] - seen[300, 300]) / seen[300, 320]
    assert contrast == pytest.approx(0.6 / (1.0 + fraction), rel=2e-3)
    np.testing.assert_array_equal(scattered(beam, projection, 0.0), beam)


def test_less_than_no_scatter_is_refused():
    beam, projection = flat(0.3)
    with pytest.raises(PhantomError, match=r"fraction must be >= 0: -0\.1"):
        scattered(beam, projection, -0.1)
