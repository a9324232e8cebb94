"""The blur found from synthetic slits of unknown widths, against the blur they were made with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erf

from gapscan.measure.blur import estimate_blur
from gapscan.measure.stations import PlacedStations

from .specimens import straight_line

PX_PER_MM = 16.0


@pytest.mark.parametrize("noise", [0.0005, 0.008])
@pytest.mark.parametrize("sigma_px", [0.8, 1.3, 2.2])
def test_blur_of_synthetic_slits(sigma_px, noise):
    n, rng = 500, np.random.default_rng(8)
    pitch = 1 / PX_PER_MM
    offsets = np.arange(-20, 21) * pitch
    width, centre = rng.uniform(0.05, 0.25, n), rng.uniform(-0.03, 0.03, n)
    wood, bare = rng.uniform(0.03, 0.1, n), np.full(n, 0.9)
    sigma = sigma_px * pitch
    # A bar blurred by a Gaussian, from the error function.
    a, b = (erf((offsets - centre[:, None] + s * width[:, None] / 2) / (np.sqrt(2) * sigma)) for s in (1, -1))
    profile = wood[:, None] + (bare - wood)[:, None] * (a - b) / 2 + rng.normal(0, noise, (n, len(offsets)))
    blur = estimate_blur(offsets, profile, straight_line(n, PX_PER_MM), bare, width, pitch)
    assert blur.sigma_px == pytest.approx(sigma_px, rel=0.03)
    assert abs(blur.sigma_px / sigma_px - 1) < 3 * blur.relative_u
    assert 1.0 <= blur.correlation < 1.3  # white noise
    np.testing.assert_allclose(blur.sigma_mm(straight_line(3, PX_PER_MM)), blur.sigma_px / PX_PER_MM)


def test_too_few_slits_give_a_guess_with_a_wide_uncertainty():
    offsets = np.arange(-20, 21) / PX_PER_MM
    profile = np.full((30, 41), 0.05)
    blur = estimate_blur(offsets, profile, straight_line(30, PX_PER_MM), np.full(30, 0.9), np.zeros(30), 1 / PX_PER_MM)
    assert blur.relative_u > 0.1


def scattered(n: int, seed: int) -> PlacedStations:
    """Stations strewn over a panel of 120 x 80 mm."""
    line = straight_line(n, PX_PER_MM)
    xy = np.random.default_rng(seed).uniform([-60, -40], [60, 40], (n, 2))
    return replace(line, xy_mm=xy)


def slits_blurred(sigma_mm: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    n = len(sigma_mm)
    offsets = np.arange(-24, 25) / PX_PER_MM
    width = rng.uniform(0.05, 0.25, n)
    a, b = (erf((offsets + s * width[:, None] / 2) / (np.sqrt(2) * sigma_mm[:, None])) for s in (1, -1))
    return offsets, width, 0.05 + 0.85 * (a - b) / 2 + rng.normal(0, 0.003, (n, len(offsets)))


def test_blur_that_grows_towards_the_corners_and_to_one_side_is_followed():
    n, rng = 900, np.random.default_rng(3)
    stations = scattered(n, 4)
    x, y = stations.xy_mm.T / 60.0
    sigma_px = 1.1 * np.exp(0.2 * x + 0.25 * (x**2 + y**2))
    offsets, width, profile = slits_blurred(sigma_px / PX_PER_MM, rng)
    blur = estimate_blur(offsets, profile, stations, np.full(n, 0.9), width, 1 / PX_PER_MM)
    np.testing.assert_allclose(blur.sigma_mm(stations) * PX_PER_MM, sigma_px, rtol=0.06)


def test_an_even_blur_is_left_even():
    n, rng = 900, np.random.default_rng(5)
    stations = scattered(n, 6)
    offsets, width, profile = slits_blurred(np.full(n, 1.4 / PX_PER_MM), rng)
    blur = estimate_blur(offsets, profile, stations, np.full(n, 0.9), width, 1 / PX_PER_MM)
    assert blur.field == (0.0, 0.0, 0.0, 0.0)
    assert blur.sigma_px == pytest.approx(1.4, rel=2 * blur.relative_u)
