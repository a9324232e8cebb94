"""The blur found from synthetic slits of unknown widths, against the blur they were made with."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from gapscan.measure.blur import estimate_blur

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
