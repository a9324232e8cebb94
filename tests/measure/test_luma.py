"""The bulge that coloured wood puts into decoded luma, made and checked with an independent colour library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gapscan.measure.luma import srgb_encode, straighten
from tests.srgb import decode, encode

LUMA = np.array([0.299, 0.587, 0.114])  # ITU-T T.871
SHARES = np.linspace(0.0, 1.0, 101)


def decoded_luma(wood: np.ndarray, bare: np.ndarray) -> np.ndarray:
    """Light that luma pretends to, for mixes of bare light and wood: encoded, weighted, decoded by colour-science."""
    mix = SHARES[:, None] * bare + (1 - SHARES[:, None]) * wood
    code = encode(mix) @ LUMA
    return decode(code)


def bulge(profile: np.ndarray) -> float:
    """Largest departure from a straight line between its ends, as a share of the span."""
    line = profile[0] + (profile[-1] - profile[0]) * SHARES
    return float(np.abs(profile - line).max() / (profile[-1] - profile[0]))


WOODS = {  # made up, no source: glow of thin pale and dark veneers, red above green above blue
    "pale": (0.25, 0.12, 0.05),
    "maple": (0.20, 0.09, 0.035),
    "red": (0.11, 0.045, 0.016),
    "dark": (0.035, 0.012, 0.004),
    "black": (0.0, 0.0, 0.0),
}


@pytest.mark.parametrize("wood", WOODS.values(), ids=WOODS.keys())
@pytest.mark.parametrize("bare", [(0.90, 0.89, 0.87), (0.8, 0.8, 0.8), (0.7, 0.75, 0.82)])
def test_mixes_of_wood_and_light_come_back_linear(wood, bare):
    wood, bare = np.array(wood), np.array(bare)
    profile = decoded_luma(wood, bare)
    straight = straighten(profile[None], wood[None], bare[None])[0]
    assert bulge(straight) < 1e-3
    # The ends stay: they are the wood's and the bare light's own levels.
    assert straight[[0, -1]] == pytest.approx(profile[[0, -1]], abs=1e-6)


def test_the_bulge_is_there_to_be_taken_out():
    wood, bare = np.array(WOODS["pale"]), np.array([0.90, 0.89, 0.87])
    assert bulge(decoded_luma(wood, bare)) > 5e-3


@settings(max_examples=80, deadline=None)
@given(
    red=st.floats(0.0, 0.3),
    green=st.floats(0.35, 0.6),
    blue=st.floats(0.3, 0.6),
    level=st.floats(0.4, 1.0),
    tint=st.floats(-0.05, 0.05),
)
def test_any_wood_that_glows_reddish(red, green, blue, level, tint):
    wood = red * np.array([1.0, green, green * blue])
    bare = level * np.array([1.0 - abs(tint), 1.0 - abs(tint), 1.0 - abs(tint) + tint])
    profile = decoded_luma(wood, bare)
    after = bulge(straighten(profile[None], wood[None], bare[None])[0])
    assert after < max(0.6 * bulge(profile), 2e-3)


def test_grey_is_left_alone():
    wood, bare = np.full(3, 0.1), np.full(3, 0.85)
    profile = decoded_luma(wood, bare)
    np.testing.assert_allclose(profile, 0.1 + 0.75 * SHARES, atol=1e-6)
    np.testing.assert_allclose(straighten(profile[None], wood[None], bare[None])[0], profile, atol=1e-5)


def test_encoding_agrees_with_colour_science():
    light = np.linspace(0.0, 1.0, 2001)
    np.testing.assert_allclose(srgb_encode(light), encode(light), atol=1e-7)
