"""Dim slits: told from grain by their place and by going on along a run."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from gapscan.measure.dim import (
    RUN_STATIONS,
    dimly_lit,
    expected_centres,
    lit_in_line,
    merged,
    plainly_lit,
    run_mean,
    step_width,
)
from gapscan.measure.width import SlitFit
from tests.measure.specimens import straight_line

N = 60


def line(*lengths):
    """Stations of stretches of these lengths."""
    stretch = np.repeat(np.arange(len(lengths)), lengths)
    return replace(straight_line(len(stretch), 15.0), stretch=stretch)


def fits(value, n):
    return SlitFit(**{f.name: np.full(n, value, dtype=float) for f in fields(SlitFit)})


def flat(value, n=N):
    return np.full(n, value)


def test_a_run_mean_is_the_mean_over_nine_and_keeps_to_its_stretch():
    stations = line(30, 30)
    values = np.concatenate([np.zeros(30), np.ones(30)])
    np.testing.assert_array_equal(run_mean(stations, values), values)
    rng = np.random.default_rng(0)
    noise = rng.normal(size=N)
    mean = run_mean(stations, noise)
    assert mean[15] == pytest.approx(noise[11:20].mean())
    # The standard deviation of a mean of n is 1/√n of one's (JCGM 100, 4.2.3).
    many = line(20000)
    spread = run_mean(many, rng.normal(size=20000)).std()
    assert spread == pytest.approx(1 / np.sqrt(RUN_STATIONS), rel=0.05)


def test_runs_shorter_than_the_mean_take_what_there_is():
    values = np.array([1.0, 2.0, 6.0])
    assert run_mean(line(3), values)[1] == pytest.approx(3.0)


def test_a_bright_slit_is_plainly_lit_and_a_speck_is_not():
    width = flat(0.002)
    width[20:50] = 0.08
    width[5] = 0.08
    plain = plainly_lit(line(N), flat(0.0), width, flat(0.002), flat(0.005))
    assert plain[24:46].all()
    assert not plain[:15].any()
    assert not plain[52:].any()


@pytest.mark.parametrize(
    ("width", "u", "false", "lit"),
    [
        (0.020, 0.001, 0.004, True),
        (0.012, 0.001, 0.001, False),  # too little to find its own place
        (0.020, 0.006, 0.001, False),  # noise: less than four standard uncertainties
        (0.020, 0.001, 0.011, False),  # grain feigns more than half of it
    ],
)
def test_what_is_plain_depends_on_noise_and_grain(width, u, false, lit):
    assert plainly_lit(line(N), flat(0.0), flat(width), flat(u), flat(false)).all() == lit
    assert plainly_lit(line(N), flat(0.0), flat(width), flat(u), flat(false)).any() == lit


def test_a_dim_slit_is_expected_between_the_lit_parts_of_its_stretch():
    stations = line(N)
    plain = np.ones(N, bool)
    plain[20:40] = False
    true = np.linspace(-0.1, 0.2, N)
    found = np.where(plain, true, 0.5)  # a streak of grain beside the dim part
    np.testing.assert_allclose(expected_centres(stations, found, flat(0.03), plain)[0], true, atol=0.025)


def test_beyond_the_last_lit_station_the_place_is_held():
    plain = np.zeros(N, bool)
    plain[:30] = True
    expected, known = expected_centres(line(N), np.where(plain, 0.07, -0.4), flat(0.03), plain)
    assert (known < 0.05).all()
    np.testing.assert_allclose(expected, 0.07)


def test_one_stray_lit_station_does_not_lead_the_place_astray():
    plain = np.ones(N, bool)
    plain[25:35] = False
    centre = np.where(plain, 0.05, 0.4)
    centre[24] = 0.6
    np.testing.assert_allclose(expected_centres(line(N), centre, flat(0.03), plain)[0][25:35], 0.05)


def test_an_unlit_stretch_is_held_where_most_of_its_light_lies():
    plain = np.r_[np.ones(30, bool), np.zeros(30, bool)]
    centre = np.r_[flat(0.2, 30), np.tile([-0.4, 0.05, 0.35], 10)]
    width = np.r_[flat(0.05, 30), np.tile([0.004, 0.012, 0.004], 10)]  # streaks of grain on both sides of a dim slit
    expected, known = expected_centres(line(30, 30), centre, width, plain)
    np.testing.assert_allclose(expected[30:], 0.05)
    assert known[30:].min() > known[:30].max()


def test_light_nearer_to_another_line_is_not_this_slits():
    near = replace(line(N), room_mm=flat(0.5))
    assert plainly_lit(near, flat(0.1), flat(0.08), flat(0.002), flat(0.005)).all()
    assert not plainly_lit(near, flat(-0.45), flat(0.08), flat(0.002), flat(0.005)).any()


def test_short_openings_in_line_with_lit_ones_are_lit():
    centre = np.r_[flat(0.02, 30), flat(0.3, 30)]
    given = (centre, flat(0.0), flat(0.025), flat(0.05), flat(0.002), flat(0.005))
    np.testing.assert_array_equal(lit_in_line(*given), np.arange(N) < 30)
    guessed = (centre, flat(0.0), flat(0.09), flat(0.05), flat(0.002), flat(0.005))
    assert not lit_in_line(*guessed).any()


def test_two_tones_of_wood_feign_a_width_where_the_place_is_off():
    """Closed form: a step from 0.2 to 0.1 under bare light 1, held 0.05 mm off, holds 0.05 · 0.1 of light too much."""
    fit = replace(fits(0.0, 3), left=flat(0.2, 3), right=flat(0.1, 3))
    np.testing.assert_allclose(step_width(fit, flat(1.0, 3), flat(0.05, 3)), 0.005 / 0.85)


@pytest.mark.parametrize(
    ("width", "u", "false", "lit"),
    [
        (0.015, 0.001, 0.005, True),
        (0.008, 0.001, 0.001, False),  # woods of two tones
        (0.015, 0.001, 0.009, False),  # grain
        (0.015, 0.005, 0.001, False),  # noise
        (0.080, 0.001, 0.001, False),  # would have shown by itself: a neighbour's light
    ],
)
def test_a_dim_slit_is_more_than_noise_and_grain_and_less_than_a_bright_one(width, u, false, lit):
    dim = dimly_lit(line(N), flat(width), flat(u), flat(false), flat(0.0))
    assert dim.all() == lit
    assert dim.any() == lit


def test_a_single_streak_is_no_dim_slit():
    width = flat(0.0)
    width[30] = 0.03
    assert not dimly_lit(line(N), width, flat(0.001), flat(0.004), flat(0.0)).any()


def test_grain_alone_seldom_passes_for_a_dim_slit():
    """Widths scattered as the stated 99 of 100 over a run, which is what false_mm means: fewer than one in a hundred."""
    stations = line(20000)
    single = np.random.default_rng(4).normal(0, 0.006, 20000)
    false = np.quantile(run_mean(stations, single), 0.99)
    dim = dimly_lit(stations, single, flat(0.0005, 20000), flat(false, 20000), flat(0.0, 20000))
    assert dim.mean() < 0.01


def test_merging_takes_the_held_fit_at_dim_stations_only():
    dim = np.array([1, 3])
    free, held = fits(1.0, 5), fits(2.0, 2)
    result = merged(free, held, dim, np.array([0.3, 0.4]), flat(0.03, 2), flat(0.0, 2))
    np.testing.assert_array_equal(result.width, [1, 2, 1, 2, 1])
    np.testing.assert_array_equal(result.noise, [1, 2, 1, 2, 1])
    np.testing.assert_array_equal(result.centre, [1, 0.3, 1, 0.4, 1])
    assert (result.u_centre[dim] >= 0.03).all()
    np.testing.assert_array_equal(free.width, np.ones(5))  # the given fit is left alone
