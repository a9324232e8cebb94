"""Slit widths and edge places against pictures made by an independent optics package, closed forms and the bound."""

from __future__ import annotations

import galsim
import numpy as np
import pytest
from scipy.special import erf

from gapscan.measure.width import SlitFit, fit_edges, fit_slits, slit_model
from tests.benchmarks.bound import BLURS_PX, WIDTHS_PX, fit_scatter, width_bound

X = np.arange(-30.0, 31.0)  # pixel centres
PIXEL_VARIANCE = 1 / 12  # of a box of one pixel: what integrating over a pixel adds to the blur's variance


def galsim_bar(left: float, right: float, sigma: float) -> np.ndarray:
    """Bar of unit brightness from left to right (px), blurred by a Gaussian, integrated over square pixels; at X.

    GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121): Box, Gaussian and the pixel convolved in Fourier space.
    Summed over the short side, which leaves the profile across.
    """
    bar = galsim.Box(right - left, 1.0, flux=right - left).shift((left + right) / 2, 0.0)
    exact = galsim.GSParams(maxk_threshold=1e-5, kvalue_accuracy=1e-7)
    seen = galsim.Convolve([bar, galsim.Gaussian(sigma=sigma)], gsparams=exact)
    height = 2 * int(np.ceil(6 * sigma)) + 3
    image = galsim.ImageD(len(X), height, scale=1.0)
    seen.drawImage(image=image, method="auto")
    return np.asarray(image.array.sum(axis=0))


def fit(profiles: np.ndarray, sigma: float | np.ndarray, *, bare: float = 1.0, half: float = 25.0) -> SlitFit:
    profiles = np.atleast_2d(profiles)
    n = len(profiles)
    weight = np.broadcast_to((np.abs(X) <= half).astype(float), profiles.shape)
    return fit_slits(
        X,
        profiles,
        weight,
        bare=np.full(n, bare),
        sigma=np.broadcast_to(np.asarray(sigma, dtype=float), (n,)),
        centre=np.zeros(n),
    )


@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.6, 2.5])
@pytest.mark.parametrize("width", [0.3, 0.6, 1.0, 2.0, 4.0, 6.0])
def test_galsim_slits_of_every_width_and_phase(width, sigma):
    phases = np.arange(-0.5, 0.5, 0.125)
    bare, wood = 0.9, 0.06
    profiles = [wood + (bare - wood) * galsim_bar(p - width / 2, p + width / 2, sigma) for p in phases]
    found = fit(np.array(profiles), np.hypot(sigma, np.sqrt(PIXEL_VARIANCE)), bare=bare)
    np.testing.assert_allclose(found.width, width, rtol=0.02)
    np.testing.assert_allclose(found.centre, phases, atol=0.005)
    np.testing.assert_allclose(found.left, wood, atol=0.002)
    np.testing.assert_allclose(found.right, wood, atol=0.002)


@pytest.mark.parametrize("width", [0.4, 1.5, 4.0])
def test_different_woods_on_the_two_sides(width):
    sigma, bare, left, right = 1.2, 0.9, 0.02, 0.15
    a, b = 0.3 - width / 2, 0.3 + width / 2
    wood = left * galsim_bar(a - 60, a, sigma) + right * galsim_bar(b, b + 60, sigma)
    found = fit(wood + bare * galsim_bar(a, b, sigma), np.hypot(sigma, np.sqrt(PIXEL_VARIANCE)), bare=bare)
    assert found.width[0] == pytest.approx(width, rel=0.02)
    assert found.centre[0] == pytest.approx(0.3, abs=0.01)
    assert (found.left[0], found.right[0]) == pytest.approx((left, right), abs=0.002)


@pytest.mark.parametrize("sigma", [0.7, 1.5, 2.5])
@pytest.mark.parametrize("width", [0.1, 1.0, 5.0])
def test_peak_of_a_blurred_bar_is_the_error_function(width, sigma):
    # Closed form: ∫ of a Gaussian over ±w/2 = erf(w / (2 √2 σ)).
    one = SlitFit(*(np.array([v]) for v in (width, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)))
    profile = slit_model(np.array([-0.1, 0.0, 0.1]), one, bare=np.ones(1), sigma=np.array([sigma]))[0]
    assert profile[1] == pytest.approx(erf(width / (2 * np.sqrt(2) * sigma)), abs=1e-12)
    assert profile[1] >= max(profile[0], profile[2])


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
@pytest.mark.parametrize("width", [0.05, 0.3, 1.0, 3.0, 6.0])
def test_model_keeps_the_excess_integral_and_the_fit_gives_the_width_back(width, sigma):
    # A kernel of unit area leaves ∫ (I − B)/(L − B) dx alone, whatever its width.
    one = SlitFit(*(np.array([v]) for v in (width, 0.37, 0.08, 0.08, 0.0, 0.0, 0.0)))
    profile = slit_model(X, one, bare=np.array([0.8]), sigma=np.array([sigma]))
    assert ((profile - 0.08) / 0.72).sum() == pytest.approx(width, abs=2e-3)
    found = fit(profile, sigma, bare=0.8)
    assert found.width[0] == pytest.approx(width, abs=1e-4)
    assert found.centre[0] == pytest.approx(0.37, abs=1e-3)


@pytest.mark.parametrize(("width", "sigma"), [(0.7, 0.9), (1.5, 1.2), (3.0, 1.2), (2.0, 2.0)])
def test_scatter_is_near_the_cramer_rao_bound_and_as_stated(width, sigma):
    noise, half, trials = 0.01, 9.0, 500
    rng = np.random.default_rng(20)
    one = SlitFit(*(np.array([v]) for v in (width, 0.2, 0.05, 0.05, 0.0, 0.0, 0.0)))
    clean = slit_model(X, one, bare=np.ones(1), sigma=np.array([sigma]))
    found = fit(clean + rng.normal(0, noise, (trials, len(X))), sigma, half=half)
    scatter = found.width.std(ddof=1)
    least = width_bound(X[np.abs(X) <= half], width, 0.2, sigma, noise)
    assert 0.9 * least < scatter < 1.5 * least  # below the bound only by the chance of 500 trials
    assert abs(found.width.mean() - width) < 4 * scatter / np.sqrt(trials) + 0.02 * least
    assert np.sqrt(np.mean(found.u_width**2)) == pytest.approx(scatter, rel=0.2)
    assert np.sqrt(np.mean(found.u_centre**2)) == pytest.approx(found.centre.std(ddof=1), rel=0.2)
    assert np.sqrt(np.mean(found.noise**2)) == pytest.approx(noise, rel=0.1)


@pytest.mark.parametrize("sigma", BLURS_PX)
@pytest.mark.parametrize("width", WIDTHS_PX)
def test_the_table_of_bounds(width, sigma):
    """Every width and blur of the benchmark, at random phases, with the window that the program has."""
    one = fit_scatter(width, sigma, trials=400)
    assert 0.85 < one.ratio < 1.2  # chance of 400 trials: ±0.035
    assert abs(one.bias) < 4 * one.scatter / np.sqrt(400) + 0.02 * one.bound


def test_a_closed_slit_measures_nothing():
    rng = np.random.default_rng(3)
    found = fit(0.1 + rng.normal(0, 0.01, (300, len(X))), 1.2, half=9.0)
    assert np.isfinite(found.width).all()
    assert abs(np.median(found.width)) < 0.02
    assert np.quantile(np.abs(found.width), 0.9) < 0.15


def test_the_far_surroundings_do_not_count():
    """Weights of zero keep a neighbouring slit out."""
    one = SlitFit(*(np.array([v]) for v in (1.0, 0.0, 0.05, 0.05, 0.0, 0.0, 0.0)))
    profile = slit_model(X, one, bare=np.ones(1), sigma=np.array([1.2]))
    disturbed = profile + np.where(np.abs(X) > 12, 0.8, 0.0)
    assert fit(disturbed, 1.2, half=9.0).width[0] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("sigma", [0.8, 1.2, 2.5])
def test_edges_of_the_error_function(sigma):
    # A straight edge blurred by a Gaussian is D + (B − D) (1 + erf((x − e)/(√2 σ)))/2.
    places = np.arange(-1.0, 1.0, 0.13)
    profile = 0.04 + 0.8 * 0.5 * (1 + erf((X[None] - places[:, None]) / (np.sqrt(2) * sigma)))
    weight = (np.abs(X) < 12).astype(float)[None].repeat(len(places), axis=0)
    zero = np.zeros(len(places))
    found = fit_edges(X, profile, weight, sigma=np.full(len(places), sigma), place=zero)
    np.testing.assert_allclose(found.place, places, atol=1e-5)
    np.testing.assert_allclose(found.dark, 0.04, atol=1e-5)
    np.testing.assert_allclose(found.bright, 0.84, atol=1e-5)


def test_galsim_edges_and_their_stated_error():
    sigma, place, noise = 1.1, 0.31, 0.01
    edge = 0.04 + 0.8 * galsim_bar(place, place + 80, sigma)
    rng = np.random.default_rng(4)
    profiles = edge + rng.normal(0, noise, (500, len(X)))
    weight = (np.abs(X) < 10).astype(float)[None].repeat(500, axis=0)
    found = fit_edges(
        X, profiles, weight, sigma=np.full(500, np.hypot(sigma, np.sqrt(PIXEL_VARIANCE))), place=np.zeros(500)
    )
    assert found.place.mean() == pytest.approx(place, abs=0.003)
    assert np.sqrt(np.mean(found.u_place**2)) == pytest.approx(found.place.std(ddof=1), rel=0.2)
