"""Power against statsmodels (noncentral t of its own) and against trials drawn at random."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ttest_1samp
from statsmodels.stats.power import TTestPower

from gapscan.trials.pooling import pooled
from gapscan.trials.power import POWER, pieces_needed, power


@pytest.mark.parametrize("count", [2, 3, 5, 12, 40, 300])
@pytest.mark.parametrize("ratio", [0.1, 0.3, 1.0, 2.5])
def test_power_of_the_paired_t_test(count, ratio):
    theirs = TTestPower().power(ratio, count, 0.05, alternative="two-sided")
    theirs = 1.0 if np.isnan(theirs) else theirs  # its series fails where the power is one to six digits
    assert power(count, 0.02 * ratio, 0.02, 0.0) == pytest.approx(theirs, abs=2e-5)


@pytest.mark.parametrize("ratio", [0.15, 0.3, 0.6, 1.0, 2.0])
def test_pieces_needed(ratio):
    theirs = TTestPower().solve_power(ratio, None, 0.05, POWER, alternative="two-sided")
    assert pieces_needed(0.03 * ratio, 0.03, 0.0) == int(np.ceil(theirs))


def test_the_textbook_figure():
    """A medium effect, d = 0.5, two-sided 5 %, power 0.80: 34 pairs (Cohen 1988, as commonly tabulated; from memory)."""
    assert pieces_needed(0.5, 1.0, 0.0) == 34


def test_power_is_how_often_it_is_seen():
    rng = np.random.default_rng(1)
    seen = [ttest_1samp(rng.normal(0.02, 0.03, 20), 0.0).pvalue < 0.05 for _ in range(2000)]
    assert power(20, 0.02, 0.03, 0.0) == pytest.approx(np.mean(seen), abs=0.03)


def test_power_with_a_shared_part_is_how_often_it_is_seen():
    rng = np.random.default_rng(2)
    n, shared = 12, np.full(12, 0.006)
    hits = 0
    for _ in range(600):
        d = rng.normal(0.02, 0.015, n) + rng.normal(0.0, 0.006)
        one = pooled(d, 1e-8 * np.eye(n), (shared,))
        hits += one.low_mm > 0.0
    assert power(n, 0.02, 0.015, 0.006) == pytest.approx(hits / 600, abs=0.05)


def test_a_shared_part_that_no_number_overcomes():
    assert pieces_needed(0.02, 0.01, 0.006) is not None
    assert pieces_needed(0.02, 0.01, 0.0072) is None  # 0.02 / 0.0072 < 1.96 + 0.84
    assert power(1, 1.0, 0.01, 0.0) == 0.0
