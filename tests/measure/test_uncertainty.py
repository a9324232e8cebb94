"""Uncertainties combined as the Guide to the Expression of Uncertainty in Measurement does it (JCGM 100:2008)."""

from __future__ import annotations

import numpy as np
import pytest

from gapscan.measure.uncertainty import combined, mean_uncertainty

# JCGM 100:2008, H.1, calibration of an end gauge of 50 mm: the contributions to its length's uncertainty in nm, from
# the worked example (values also in GTC's documentation, "GUM_H1").
STANDARD_NM = 25.0
THERMAL_NM = 50e6 * 11.5e-6 * 0.05 / np.sqrt(3)  # l_s α_s u(δθ): 16.599
REPEATED_NM, RANDOM_NM, SYSTEMATIC_NM = 5.8, 3.9, 6.7
EXPANSION_NM = 50e6 * 0.1 * 1e-6 / np.sqrt(12) * 2  # l_s |θ| u(δα), rectangular ± 1e-6: 2.887
BUDGET_NM = (STANDARD_NM, THERMAL_NM, SYSTEMATIC_NM, REPEATED_NM, RANDOM_NM, EXPANSION_NM)


def test_end_gauge_of_the_guide():
    np.testing.assert_allclose(BUDGET_NM, (25, 16.599, 6.7, 5.8, 3.9, 2.887), atol=5e-4)
    whole = float(combined(*BUDGET_NM))
    assert whole == pytest.approx(31.66, abs=0.005)
    assert round(whole) == 32  # the Guide's result: u_c(l) = 32 nm
    # In parts and parts of parts: the same.
    assert float(combined(combined(*BUDGET_NM[:3]), combined(*BUDGET_NM[3:]))) == pytest.approx(whole, rel=1e-12)


def test_end_gauge_by_an_independent_library():
    """The whole measurement model of H.1, propagated by GTC (Measurement Standards Laboratory of New Zealand)."""
    gtc = pytest.importorskip("GTC")
    standard = gtc.ureal(50_000_623.0, STANDARD_NM)
    difference = gtc.ureal(215.0, REPEATED_NM) + gtc.ureal(0.0, RANDOM_NM) + gtc.ureal(0.0, SYSTEMATIC_NM)
    alpha = gtc.ureal(11.5e-6, 2e-6 / np.sqrt(3))
    d_alpha = gtc.ureal(0.0, 1e-6 / np.sqrt(3))
    theta = gtc.ureal(-0.1, 0.2) + gtc.ureal(0.0, 0.5 / np.sqrt(2))
    d_theta = gtc.ureal(0.0, 0.05 / np.sqrt(3))
    length = standard + difference - standard * (d_alpha * theta + alpha * d_theta)
    assert length.x == pytest.approx(50_000_838.0)
    assert float(combined(*BUDGET_NM)) == pytest.approx(length.u, rel=1e-5)


def test_arrays_go_element_by_element():
    one, two = np.array([3.0, 5.0, np.nan]), np.array([[4.0, 12.0, 1.0], [0.0, 0.0, 0.0]])
    np.testing.assert_allclose(combined(one, two), [[5.0, 13.0, np.nan], [3.0, 5.0, np.nan]])
    np.testing.assert_allclose(combined(two, 0.0), np.abs(two))
    assert combined(np.zeros(0), 0.3).shape == (0,)


def test_mean_of_stations_by_an_independent_library():
    """Stations half a millimetre apart: one reading each, with an error of their own and one in common, propagated by GTC."""
    gtc = pytest.importorskip("GTC")
    n, own, shared = 20, 0.011, 0.004
    common = gtc.ureal(0.0, shared)
    mean = sum((gtc.ureal(0.08, own) + common for _ in range(n)), start=gtc.constant(0.0)) / n
    each = np.full(n, np.hypot(own, shared))
    assert mean_uncertainty(each, np.full(n, shared), step_mm=0.5) == pytest.approx(mean.u, rel=1e-6)
    # Looked at twice as closely the same stretch holds no more readings.
    twice = mean_uncertainty(np.repeat(each, 2), np.full(2 * n, shared), step_mm=0.25)
    assert twice == pytest.approx(mean.u, rel=1e-6)


def test_limits_of_the_mean():
    one, shared = np.full(400, 0.012), np.full(400, 0.004)
    assert mean_uncertainty(one, one, step_mm=0.25) == pytest.approx(0.012)  # all shared: nothing averages out
    assert mean_uncertainty(one, 0 * shared, step_mm=0.25) == pytest.approx(
        0.012 / np.sqrt(200)
    )  # all own: 200 readings
    assert mean_uncertainty(one[:2], shared[:2], step_mm=0.25) == pytest.approx(0.012)  # shorter than one reading
    assert 0.004 < mean_uncertainty(one, shared, step_mm=0.25) < 0.0042
    # A shared part above the whole is a rounding error, not a negative square.
    assert mean_uncertainty(one, one * 1.0001, step_mm=0.25) == pytest.approx(0.0120012)


def test_mean_is_what_simulated_readings_scatter_by():
    rng = np.random.default_rng(7)
    n, trials = 30, 20_000
    own, shared = rng.uniform(0.004, 0.02, n), 0.005
    readings = rng.normal(0, own, (trials, n)) + rng.normal(0, shared, (trials, 1))
    stated = mean_uncertainty(np.hypot(own, shared), np.full(n, shared), step_mm=0.5)
    assert stated == pytest.approx(readings.mean(axis=1).std(), rel=0.02)
