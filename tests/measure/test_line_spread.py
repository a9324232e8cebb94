"""Line spread from an edge, and what a Gaussian in its place does to widths, on closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from gapscan.measure.line_spread import LineSpread, gaussian_spread, line_spread, shape_effect
from gapscan.photo.edge_spread import EdgeSpread, pooled, veil

AT = np.r_[np.arange(-22.5, -9, 3.0), np.arange(-8.875, 9, 0.25)]
DARK, BARE = 0.02, 0.85


def edge(
    spread: LineSpread, *, noise: float = 0.0, seed: int = 0, shift: float = 0.0, at: np.ndarray = AT
) -> EdgeSpread:
    rise = np.zeros(len(at))
    for side in (-1.0, 1.0):
        rise += 0.5 * ndtr((at[:, None] - shift + side * spread.place_px) / spread.bell_px) @ spread.share
    light = DARK + (BARE - DARK) * rise + noise * np.random.default_rng(seed).standard_normal(len(at))
    return EdgeSpread(at, light, light, np.full(len(at), 300.0))


def tailed(sigma_px: float) -> LineSpread:
    """A narrow core with a fifth of the light far out, as of a scattering lens."""
    return LineSpread(np.array([0.0, 3.0]), np.array([0.8, 0.2]), np.full(2, sigma_px))


@pytest.mark.parametrize("sigma_px", [0.8, 1.3, 2.0])
@pytest.mark.parametrize("shift", [0.0, -0.4])
def test_a_gaussian_edge_needs_no_correction(sigma_px, shift):
    effect = shape_effect(
        [edge(gaussian_spread(sigma_px), noise=3e-4, seed=k, shift=shift) for k in range(4)], sigma_px, 3.7
    )
    assert np.abs(effect.excess).max() < 0.004
    assert effect.u.max() < 0.004


def test_line_spread_keeps_its_moments():
    found = line_spread(edge(tailed(0.9)))
    assert found is not None
    assert found.share.sum() == pytest.approx(1.0)
    assert found.sigma_px == pytest.approx(np.sqrt(0.2 * 9 + 0.81), rel=0.03)


def test_long_tails_make_narrow_slits_too_narrow_and_the_edge_tells_by_how_much():
    truth = tailed(0.9)
    effect = shape_effect([edge(truth)], 1.0, 3.7)
    assert effect.excess[0] < -0.025  # a slit narrower than the blur loses its tails to the wood
    assert abs(effect.excess[-1]) < 0.02  # a wide one is told by its edges
    assert effect.u[0] > 0.4 * abs(effect.excess[0])


def test_no_edges_no_correction_but_a_wide_uncertainty():
    effect = shape_effect([], 1.2, 3.7)
    assert not effect.excess.any()
    assert effect.u.min() >= 0.03


def test_clipped_edges_are_not_believed():
    side = edge(tailed(0.9))
    white = EdgeSpread(side.distance_px, side.code, np.minimum(side.light * 1.3, 1.0), side.count)
    assert not shape_effect([white] * 4, 1.0, 3.7).excess.any()


def test_beyond_the_widest_the_error_stays_what_it_was_in_pixels():
    effect = shape_effect([edge(tailed(0.9))], 1.0, 3.7)
    at = np.array([6.0, 12.0])
    excess, _, _ = effect.at(at)
    np.testing.assert_allclose(excess * at, excess[0] * 6.0)


def test_sides_along_the_pixel_rows_are_taken_together():
    # Each side meets the pixels at one phase only; four sides at four phases.
    sides = [edge(tailed(0.9), at=np.arange(-9, 9) + phase) for phase in (0.05, 0.3, 0.55, 0.8)]
    assert not any(side.whole for side in sides)
    together = pooled(sides)
    assert together is not None
    assert together.whole
    one = shape_effect([edge(tailed(0.9))], 1.0, 3.7).excess
    np.testing.assert_allclose(shape_effect(sides, 1.0, 3.7).excess, one, atol=0.012)
    assert not shape_effect([sides[0]] * 4, 1.0, 3.7).excess.any()


def test_veil_is_the_cards_share_of_the_light():
    assert veil([edge(gaussian_spread(1.0))]) == pytest.approx(DARK / BARE, rel=1e-3)
    assert veil([]) is None
