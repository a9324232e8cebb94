"""Random-effects mean and its interval against published figures and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import multivariate_normal, ttest_1samp
from statsmodels.stats.meta_analysis import combine_effects

from gapscan.trials.pooling import between_variance, pooled

# Trials of BCG vaccine against tuberculosis (Colditz and others, JAMA 271, 1994, 698-702), the standard worked example of
# random-effects meta-analysis: cases and healthy among the vaccinated, cases and healthy among the others. From memory;
# that the published results come out of it to the last digit shows that they were remembered rightly.
BCG = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
        (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
        (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    float,
)  # fmt: skip


def log_risk_ratios() -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = BCG.T
    return np.log(a / (a + b)) - np.log(c / (c + d)), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def test_the_published_restricted_likelihood_and_interval():
    """Viechtbauer, Journal of Statistical Software 36(3), 2010: τ² = 0.3132, mean −0.7145; with the Knapp-Hartung
    interval u = 0.1808, −1.1084 to −0.3206, p = 0.0019 (from memory)."""
    y, v = log_risk_ratios()
    found = pooled(y, np.diag(v))
    assert between_variance(y, np.diag(v)) == pytest.approx(0.3132, abs=5e-5)
    assert found.mean_mm == pytest.approx(-0.7145, abs=5e-5)
    assert found.u_mm == pytest.approx(0.1808, abs=5e-5)
    assert (found.low_mm, found.high_mm) == pytest.approx((-1.1084, -0.3206), abs=6e-5)
    assert found.p == pytest.approx(0.0019, abs=5e-5)
    assert found.freedom == 12


def test_the_published_dersimonian_laird_figures_and_the_library_agree():
    """DerSimonian and Laird on the same trials: τ² = 0.3088, mean −0.7141 (Viechtbauer 2010, from memory); statsmodels
    (combine_effects) gives mean and Hartung-Knapp-Sidik-Jonkman interval for the same τ²."""
    y, v = log_risk_ratios()
    theirs = combine_effects(y, v, method_re="chi2", use_t=True)
    assert theirs.tau2 == pytest.approx(0.3088, abs=5e-5)
    ours = pooled(y, np.diag(v), tau2=theirs.tau2)
    assert ours.mean_mm == pytest.approx(-0.7141, abs=5e-5)
    assert ours.mean_mm == pytest.approx(theirs.mean_effect_re, rel=1e-10)
    assert ours.u_mm == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-10)
    assert (ours.low_mm, ours.high_mm) == pytest.approx(theirs.conf_int(use_t=True)[3], rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_with_equal_uncertainties_it_is_the_paired_t_test(seed):
    """scipy.stats.ttest_1samp of the differences; and τ² is their variance less that of the measurement."""
    d = np.random.default_rng(seed).normal(0.03, 0.02, 14)
    found = pooled(d, 0.01**2 * np.eye(14))
    theirs = ttest_1samp(d, 0.0)
    interval = theirs.confidence_interval(0.95)
    assert (found.low_mm, found.high_mm) == pytest.approx((interval.low, interval.high), rel=1e-6)
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-5)
    assert found.spread_mm**2 == pytest.approx(max(d.var(ddof=1) - 0.01**2, 0.0), abs=1e-8)
    theirs = combine_effects(d, np.full(14, 0.01**2), method_re="iterated", use_t=True)
    assert (found.low_mm, found.high_mm) == pytest.approx(theirs.conf_int(use_t=True)[3], rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_correlated_errors_against_the_likelihood_written_out(seed):
    """Restricted likelihood by its definition: the multivariate normal density (scipy) of k − 1 contrasts."""
    rng = np.random.default_rng(seed)
    k = 9
    root = rng.normal(0, 0.01, (k, k))
    V = root @ root.T / 3 + 0.005**2 * np.eye(k)
    d = rng.multivariate_normal(np.full(k, 0.02), V + 0.015**2 * np.eye(k))
    contrasts = np.eye(k)[:-1] - np.eye(k)[1:]

    def loss(log_tau2: float) -> float:
        S = V + np.exp(log_tau2) * np.eye(k)
        return -float(multivariate_normal(np.zeros(k - 1), contrasts @ S @ contrasts.T).logpdf(contrasts @ d))

    wanted = np.exp(minimize_scalar(loss, bounds=(np.log(1e-8), np.log(1.0)), method="bounded").x)
    tau2 = between_variance(d, V)
    if tau2 == 0.0:
        assert wanted < 1e-7
    else:
        assert tau2 == pytest.approx(wanted, rel=1e-3)
    # mean and its scale by the normal equations of generalised least squares
    W = np.linalg.inv(V + tau2 * np.eye(k))
    mean = W.sum(axis=0) @ d / W.sum()
    scale = (d - mean) @ W @ (d - mean) / (k - 1)
    found = pooled(d, V)
    assert found.mean_mm == pytest.approx(mean, rel=1e-9)
    assert found.u_mm == pytest.approx(np.sqrt(scale / W.sum()), rel=1e-6)


def test_what_a_photo_shares_is_not_averaged_away():
    """JCGM 100, 5.2.2: fully correlated, it stands in the mean as in each; two photos add as squares."""
    rng = np.random.default_rng(3)
    for k in (5, 500):
        d = rng.normal(0.0, 0.01, k)
        found = pooled(d, 1e-6 * np.eye(k), (np.full(k, 0.006), np.full(k, 0.008)))
        assert found.common_mm == pytest.approx(0.010)
        assert found.u_mm == pytest.approx(np.hypot(found.own_mm, 0.010))
    assert found.own_mm < 0.001
    assert found.freedom > 1000
    assert found.high_mm - found.low_mm == pytest.approx(2 * 1.96 * found.u_mm, rel=2e-3)


def test_one_piece_alone_has_no_interval_and_none_is_a_defect():
    alone = pooled(np.array([0.03]), np.array([[0.004**2]]), (np.array([0.003]),))
    assert alone.u_mm == pytest.approx(0.005)
    assert np.isnan(alone.low_mm)
    with pytest.raises(ValueError, match="no differences"):
        pooled(np.zeros(0), np.zeros((0, 0)))


def test_equal_differences_give_no_division_by_zero():
    found = pooled(np.full(4, 0.02), 1e-6 * np.eye(4))
    assert found.mean_mm == pytest.approx(0.02)
    assert found.low_mm <= 0.02 <= found.high_mm
