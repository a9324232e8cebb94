"""Curves to polylines: tolerance kept, both directions alike."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapscan.design.flatten import CHORD_MM, flatten_arc, flatten_cubic, flatten_quadratic

POINT = st.tuples(st.floats(-200, 200), st.floats(-200, 200))


def far_from_chords(curve, n):
    """Largest distance of a curve (function of 0..1, (N, 2)) from its n even chords, sampled in between."""
    worst = 0.0
    for k in range(0, n, max(1, n // 40)):
        a, b = curve(np.array([k / n])), curve(np.array([(k + 1) / n]))
        d = (b - a)[0]
        inner = curve((k + np.linspace(0.1, 0.9, 9)) / n) - a
        size = np.hypot(*d)
        if size > 0:
            worst = max(worst, float(np.abs(inner[:, 0] * d[1] - inner[:, 1] * d[0]).max() / size))
    return worst


def cubic(p):
    return lambda t: sum(math.comb(3, k) * (1 - t[:, None]) ** (3 - k) * t[:, None] ** k * p[k] for k in range(4))


@given(st.tuples(POINT, POINT, POINT, POINT))
def test_cubic(control):
    p = np.array(control)
    points = flatten_cubic(p)
    assert (points[-1] == p[3]).all()
    assert far_from_chords(cubic(p), len(points)) <= CHORD_MM * 1.001
    there, back = np.vstack([p[:1], points]), np.vstack([p[3:], flatten_cubic(p[::-1])])
    np.testing.assert_allclose(there, back[::-1], atol=1e-10)


@given(st.tuples(POINT, POINT, POINT))
def test_quadratic(control):
    p = np.array(control)
    raised = np.array([p[0], p[0] + 2 / 3 * (p[1] - p[0]), p[2] + 2 / 3 * (p[1] - p[2]), p[2]])
    points = flatten_quadratic(p)
    assert far_from_chords(cubic(raised), len(points)) <= CHORD_MM * 1.001
    there, back = np.vstack([p[:1], points]), np.vstack([p[2:], flatten_quadratic(p[::-1])])
    np.testing.assert_allclose(there, back[::-1], atol=1e-10)


@pytest.mark.parametrize("radius", [0.2, 3.0, 50.0, 1000.0])
def test_circle_keeps_its_tolerance_without_waste(radius):
    points = flatten_arc(np.zeros(2), np.eye(2) * radius, start_rad=0.0, sweep_rad=2 * math.pi)
    sagitta = radius * (1 - math.cos(math.pi / len(points)))
    assert CHORD_MM / 4 < sagitta <= CHORD_MM
    assert len(points) % 4 == 0


@given(st.floats(-3, 3), st.floats(0.01, 6), st.floats(0.5, 90), st.floats(0.5, 90))
def test_arc_both_ways(start, sweep, a, b):
    axes = np.array([[a, 0.3 * a], [-0.3 * b, b]])
    there = flatten_arc(np.zeros(2), axes, start_rad=start, sweep_rad=sweep)
    back = flatten_arc(np.zeros(2), axes, start_rad=start + sweep, sweep_rad=-sweep)
    np.testing.assert_allclose(there[:-1], back[-2::-1], atol=1e-9)
