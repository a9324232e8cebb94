"""What a slanted view hides, against closed forms and against rays traced through random walls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gapscan.measure.slant import hidden_width, left_edge_seen, right_edge_seen

T_MM = 0.6
TANGENTS = np.linspace(-0.3, 0.3, 61)  # tan θ of the line of sight in the section across the seam
DELTA_MM = T_MM * TANGENTS


def hidden(delta_mm, setback_mm, left_small, right_small):
    delta = np.atleast_1d(np.asarray(delta_mm, dtype=float))
    return hidden_width(
        delta, np.full_like(delta, setback_mm), np.full(delta.shape, left_small), np.full(delta.shape, right_small)
    )


@pytest.mark.parametrize("left_small", [True, False])
@pytest.mark.parametrize("right_small", [True, False])
def test_upright_walls_hide_t_tan_theta(left_small, right_small):
    # Closed form from the section's geometry: w_seen = g − t |tan θ|.
    np.testing.assert_allclose(hidden(DELTA_MM, 0.0, left_small, right_small), T_MM * np.abs(TANGENTS), atol=1e-12)


@pytest.mark.parametrize("small", [True, False])
@pytest.mark.parametrize("taper_deg", [1.0, 2.0, 5.0])
def test_walls_of_the_same_facing_hide_nothing_until_the_view_leans_more_than_they(taper_deg, small):
    # Closed form: nothing until |θ| > α, then t (|tan θ| − tan α).
    slope = np.tan(np.deg2rad(taper_deg))
    wanted = T_MM * np.maximum(np.abs(TANGENTS) - slope, 0.0)
    np.testing.assert_allclose(hidden(DELTA_MM, T_MM * slope, small, small), wanted, atol=1e-12)


@pytest.mark.parametrize("taper_deg", [1.0, 2.0, 5.0])
def test_parallel_leaning_walls(taper_deg):
    # Closed form: w_seen = g − t |tan θ − tan α|, g the horizontal distance of the parallel walls and α their lean
    # away from the ray. The clear gap square-on is g less the set-back, because larger faces limit it on both sides.
    slope = np.tan(np.deg2rad(taper_deg))
    for left_small, lean in ((True, -slope), (False, slope)):
        clear_mm = 0.4
        between_walls = clear_mm + T_MM * slope
        seen = between_walls - T_MM * np.abs(TANGENTS - lean)
        got = clear_mm - hidden(DELTA_MM, T_MM * slope, left_small, not left_small)
        np.testing.assert_allclose(got, seen, atol=1e-12)


def test_a_view_square_on_sees_the_clear_gap_and_both_larger_edges():
    for left_small in (True, False):
        for right_small in (True, False):
            assert hidden(0.0, 0.02, left_small, right_small)[0] == 0.0
    zero, setback = np.zeros(2), np.full(2, 0.02)
    np.testing.assert_array_equal(left_edge_seen(zero, setback, np.array([True, False])), 0.0)
    np.testing.assert_array_equal(right_edge_seen(zero, setback, np.array([True, False])), 0.0)


@settings(max_examples=200, deadline=None)
@given(
    gap=st.floats(0.02, 0.6),
    thickness=st.floats(0.3, 3.0),
    taper_deg=st.floats(0.0, 8.0),
    tangent=st.floats(-0.35, 0.35),
    left_small=st.booleans(),
    right_small=st.booleans(),
)
def test_rays_traced_through_random_walls(gap, thickness, taper_deg, tangent, left_small, right_small):
    """Brute force: 4001 parallel rays, each followed from the lightbox to the upper face in 33 steps of height."""
    setback, delta = thickness * np.tan(np.deg2rad(taper_deg)), thickness * tangent
    z = np.linspace(0.0, 1.0, 33)  # share of the thickness, 0 on the lightbox
    # Each wall stands back by the set-back at its smaller face, evenly in between; larger faces at 0 and at gap.
    left = -setback * (z if left_small else 1 - z)
    right = gap + setback * (z if right_small else 1 - z)
    upper = np.linspace(-1.2, 1.2 + gap, 4001)  # where the ray meets the upper face
    at = upper[:, None] - delta * (1 - z)
    passes = ((at > left) & (at < right)).all(axis=1)
    step = upper[1] - upper[0]
    width = passes.sum() * step
    arguments = np.array([delta]), np.array([setback])
    predicted = gap - hidden(delta, setback, left_small, right_small)[0]
    assert max(predicted, 0.0) == pytest.approx(width, abs=1.01 * step)
    if passes.any() and predicted > step:
        first, last = upper[passes][[0, -1]]
        assert left_edge_seen(*arguments, np.array([left_small]))[0] == pytest.approx(first, abs=1.01 * step)
        assert gap + right_edge_seen(*arguments, np.array([right_small]))[0] == pytest.approx(last, abs=1.01 * step)
