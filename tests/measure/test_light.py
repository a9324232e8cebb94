"""The bare light carried across the assembly, against surfaces it was made from."""

from __future__ import annotations

import numpy as np
import pytest

from gapscan.errors import PhotoError
from gapscan.measure.light import bare_light
from gapscan.photo.types import Photo

from .specimens import square_on

SIZE = (900, 700)
PX_PER_MM = 8.0


REFERENCE = square_on(SIZE, PX_PER_MM, (100.0, 80.0))


def photo(level, *, dark=(-38.0, -28.0, 38.0, 28.0), top: float = 0.97) -> Photo:
    """A square-on view of a dark board on a lightbox whose light is ``level(x, y)``; clipped above ``top``."""
    u, v = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    x, y = (u - (SIZE[0] - 1) / 2) / PX_PER_MM, (v - (SIZE[1] - 1) / 2) / PX_PER_MM
    light = level(x, y)
    light = light + np.random.default_rng(5).normal(0, 0.004, light.shape)
    light[(x > dark[0]) & (x < dark[2]) & (y > dark[1]) & (y < dark[3])] = 0.05
    light[(np.abs(x) > 50) | (np.abs(y) > 40)] = 0.01
    clipped = light > top
    light = np.where(clipped, 1.0, light).astype(np.float32)
    # sRGB encoding (IEC 61966-2-1), grey
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    shown = np.repeat((np.clip(code, 0, 1) * 255 + 0.5).astype(np.uint8)[..., None], 3, axis=2)
    return Photo("board.jpg", light, clipped, shown, ())


def even(x, y):
    return 0.8 + 0 * (x + y)


INSIDE = np.stack(np.meshgrid(np.linspace(-36, 36, 9), np.linspace(-26, 26, 9)), axis=-1).reshape(-1, 2)


@pytest.mark.parametrize(
    ("level", "within"),
    [
        (even, 0.003),
        (lambda x, y: 0.8 * (1 + 0.0012 * x - 0.0008 * y), 0.004),
        (lambda x, y: 0.85 * (1 - 2.0e-5 * (x * x + y * y)), 0.006),
    ],
    ids=["even", "slope", "bulge"],
)
def test_level_inside_the_assembly_is_that_of_the_lightbox(level, within):
    bare = bare_light(photo(level), REFERENCE, sheet_height_mm=0.0)
    truth = level(INSIDE[:, 0], INSIDE[:, 1])
    error = bare.level(INSIDE) / truth - 1
    assert np.abs(error).max() < within
    assert bare.clipped_share == 0.0
    # Grey light has no colour of its own; 8-bit codes and noise blur that a little.
    np.testing.assert_allclose(bare.rgb(INSIDE) / truth[:, None], 1.0, atol=0.02)


def test_seams_and_tape_do_not_pull_the_level_down():
    made = photo(even)
    light = made.light.copy()
    light[320:380, 100:140] *= 0.7  # a corner of tape in the moat
    bare = bare_light(Photo("t.jpg", light, made.clipped, made.display_bgr, ()), REFERENCE, sheet_height_mm=0.0)
    np.testing.assert_allclose(bare.level(INSIDE), 0.8, rtol=0.01)


def test_overexposed_light_is_refused():
    with pytest.raises(PhotoError) as caught:
        bare_light(photo(lambda x, y: 1.2 + 0 * (x + y)), REFERENCE, sheet_height_mm=0.0)
    assert "board.jpg" in str(caught.value)
    assert "overexposed" in str(caught.value)
    assert "darker" in str(caught.value)


def test_a_little_clipping_is_counted_and_left_out():
    bare = bare_light(photo(lambda x, y: 0.9 * (1 + 0.0018 * x) + 0 * y), REFERENCE, sheet_height_mm=0.0)
    assert 0.0 < bare.clipped_share < 0.25
    np.testing.assert_allclose(bare.level(INSIDE), 0.9 * (1 + 0.0018 * INSIDE[:, 0]), rtol=0.012)


def test_too_narrow_a_strip_of_light_is_refused():
    """0.7 mm between veneer and card: nowhere far enough from an edge to tell the level."""
    with pytest.raises(PhotoError) as caught:
        bare_light(photo(even, dark=(-49.3, -39.3, 49.3, 39.3)), REFERENCE, sheet_height_mm=0.0)
    assert "board.jpg" in str(caught.value)
    assert "bare lightbox" in str(caught.value)
