import numpy as np
import pytest

from gapscan.rounds.response import PRIOR, shop_response, trusted, weighted_mean
from gapscan.rounds.types import Response

ASKED = np.array([0.15, 0.12, 0.20, -0.10])
SURE = Response(1.0, 1e6)  # knows nothing: what was seen stands alone


def test_weighted_mean_against_independent_libraries():
    """numpy.average for the mean; for its uncertainty weighted least squares of statsmodels on a constant, whose covariance
    for known weights (scale 1) is 1/Σw."""
    linear_model = pytest.importorskip("statsmodels.regression.linear_model")
    rng = np.random.default_rng(4)
    for n in (1, 2, 7, 50):
        u = rng.uniform(0.01, 0.3, n)
        values = 0.9 + u * rng.normal(size=n)
        mean, u_mean = weighted_mean(values, u)
        average, weights = np.average(values, weights=u**-2, returned=True)
        assert mean == pytest.approx(average)
        assert u_mean == pytest.approx(weights**-0.5)
        model = linear_model.WLS(values, np.ones(n), weights=u**-2)
        found = model.fit()
        assert mean == pytest.approx(found.params[0])
        assert u_mean == pytest.approx(float(np.sqrt(found.normalized_cov_params[0, 0])))


def test_a_worked_example_by_hand():
    """Two readings, 0.8 ± 0.1 and 1.0 ± 0.2: weights 100 and 25, (80 + 25) / 125 = 0.84 ± 1/√125 = 0.0894."""
    assert weighted_mean(np.array([0.8, 1.0]), np.array([0.1, 0.2])) == pytest.approx((0.84, 0.08944), abs=1e-5)


def test_one_piece_and_what_is_known_before():
    # got 0.12 of 0.15, u = hypot(0.009, 0.005 for the repeat) / 0.15 = 0.0686; with 1 ± 0.1, by hand:
    # (1/0.01 + 0.8/0.004711) / (1/0.01 + 1/0.004711) = 269.8/312.3 = 0.8640; u = 312.3 ** -0.5 = 0.0566
    found = shop_response(PRIOR, np.array([0.15]), np.array([0.12]), np.array([[0.009**2]]))
    assert (found.figure, found.u) == pytest.approx((0.8640, 0.0566), abs=1e-4)
    assert (found.pieces, found.believed) == (1, True)


def test_no_piece_leaves_what_is_known():
    assert shop_response(PRIOR, np.zeros(0), np.zeros(0), np.zeros((0, 0))) == Response(1.0, 0.1, 0)


def test_the_common_part_of_the_errors_does_not_average_out():
    own, common = 0.004, 0.006
    C = np.full((4, 4), common**2) + np.diag(np.full(4, own**2))
    asked = np.full(4, 0.1)
    alike = shop_response(SURE, asked, 0.8 * asked, C)
    apart = shop_response(SURE, asked, 0.8 * asked, np.diag(np.diag(C)))
    # by hand: √(common² + (own² + repeat²)/4) / 0.1 with a repeat of 0.005 mm
    assert alike.u == pytest.approx(np.sqrt(common**2 + (own**2 + 0.005**2) / 4) / 0.1, rel=1e-6)
    assert apart.u < 0.7 * alike.u


def test_uncertainty_is_that_of_many_shops():
    """Monte Carlo (JCGM 101): the stated uncertainty is the scatter of the figure over simulated shops."""
    rng = np.random.default_rng(11)
    own = np.array([0.006, 0.004, 0.008, 0.005])
    C = np.diag(own**2) + 0.004**2
    found = []
    for _ in range(1500):
        noise = own * rng.normal(size=4) + 0.004 * rng.normal() + 0.005 * rng.normal(size=4)
        found.append(shop_response(SURE, ASKED, 0.85 * ASKED + noise, C))
    figures, stated = np.array([f.figure for f in found]), np.array([f.u for f in found])
    assert figures.mean() == pytest.approx(0.85, abs=0.005)
    assert 0.85 < stated.mean() / figures.std() < 1.35  # Birge's ratio, never below 1, widens it a little


def test_scatter_beyond_the_uncertainty_widens_it():
    C = np.diag(np.full(4, 0.002**2))
    asked = np.full(4, 0.1)
    even = shop_response(SURE, asked, 0.8 * asked, C)
    uneven = shop_response(SURE, asked, asked * np.array([0.7, 0.75, 0.85, 0.9]), C)
    assert uneven.figure == pytest.approx(0.8)
    assert uneven.u > 1.5 * even.u


def test_one_piece_cut_from_another_outline_is_left_out():
    each = np.array([0.79, 0.81, 0.80, 0.2])
    assert trusted(each, np.full(4, 0.05)).tolist() == [True, True, True, False]
    got = np.append(0.8 * ASKED[:3], 0.2 * ASKED[3])
    found = shop_response(SURE, ASKED, got, np.diag(np.full(4, 0.003**2)))
    assert found.figure == pytest.approx(0.8)
    assert found.pieces == 3


@pytest.mark.parametrize(("true", "kept"), [(0.2, 0.5), (2.4, 1.5)])
def test_what_is_beyond_belief_is_said_and_clipped(true, kept):
    found = shop_response(PRIOR, ASKED, true * ASKED, np.diag(np.full(4, 0.002**2)))
    assert not found.believed
    assert found.figure == kept
    assert found.u >= PRIOR.u
