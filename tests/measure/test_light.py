"""The bare light carried across the assembly, against surfaces it was made from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapscan.errors import PhotoError
from gapscan.measure.bare_field import _local_line, _smooth
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


def bump(x, y):
    """15 % more light in the middle of the board, next to nothing of it round the board."""
    return 0.7 * (1 + 0.15 * np.exp(-(x * x + y * y) / (2 * 9.0**2)))


NOTHING = (0.0, 0.0, 0.0, 0.0)


def beside(level, bare_level, *, edit=None):
    """The board's photo with one of the empty lightbox beside it; ``edit`` changes the latter's light in place."""
    empty = photo(bare_level, dark=NOTHING)
    if edit is not None:
        light, clipped = empty.light.copy(), empty.clipped.copy()
        edit(light, clipped)
        empty = replace(empty, light=light, clipped=clipped)
    return replace(photo(level), bare=replace(empty, path="empty.jpg"))


def test_an_empty_lightbox_shows_what_the_light_round_the_board_cannot():
    truth = bump(INSIDE[:, 0], INSIDE[:, 1])
    across = bare_light(photo(bump), REFERENCE, sheet_height_mm=0.0)
    told = bare_light(beside(bump, bump), REFERENCE, sheet_height_mm=0.0)
    assert np.abs(across.level(INSIDE) / truth - 1).max() > 0.10  # the test's own footing
    assert np.abs(told.level(INSIDE) / truth - 1).max() < 0.006
    assert told.relative_u < across.relative_u
    np.testing.assert_allclose(told.rgb(INSIDE) / truth[:, None], 1.0, atol=0.02)


@pytest.mark.parametrize(
    "bare_level",
    [
        lambda x, y: 0.94 * bump(x, y),
        lambda x, y: 1.08 * bump(x, y) * (1 + 4e-4 * x - 2e-4 * y),
        lambda x, y: bump(x + 0.1, y - 0.15),
    ],
    ids=["exposure", "slope", "nudged"],
)
def test_another_exposure_a_slope_and_a_nudged_camera_do_no_harm(bare_level):
    told = bare_light(beside(bump, bare_level), REFERENCE, sheet_height_mm=0.0)
    assert np.abs(told.level(INSIDE) / bump(INSIDE[:, 0], INSIDE[:, 1]) - 1).max() < 0.008
    assert told.relative_u < 0.006


def test_dust_hairs_burnt_specks_and_the_frames_card_are_left_out():
    def dirty(light, clipped):
        rng = np.random.default_rng(3)
        for u, v in rng.integers((60, 40), (840, 660), (25, 2)):
            light[v : v + 3, u : u + 3] *= 0.4  # 0.4 mm
        light[350:352, 200:500] *= 0.5  # a hair
        clipped[300:306, 420:426] = True
        light[clipped] = 1.0
        light[:, : round((-50 + 2 + 56.2) * PX_PER_MM)] = 0.01  # the frame laid 2 mm aside

    told = bare_light(beside(bump, bump, edit=dirty), REFERENCE, sheet_height_mm=0.0)
    assert np.abs(told.level(INSIDE) / bump(INSIDE[:, 0], INSIDE[:, 1]) - 1).max() < 0.008


def test_a_field_that_smoothing_flattens_is_known_less_well():
    def fine(x, _):
        return 0.7 * (1 + 0.10 * np.cos(x * 2 * np.pi / 14.0))

    told = bare_light(beside(fine, fine), REFERENCE, sheet_height_mm=0.0)
    rms = float(np.std(told.level(INSIDE) / fine(INSIDE[:, 0], INSIDE[:, 1])))
    assert rms < 3 * told.relative_u
    assert told.relative_u > 0.003


def board(light, _):
    light[200:450, 300:600] = 0.12


def one_small_piece(light, _):
    light[300:360, 420:500] = 0.2


def ruled(light, _):
    for row in range(3):  # lines 0.4 mm wide, 3 mm apart: drawing film, say
        light[row::24, :] *= 0.5


def burnt(light, clipped):
    clipped[250:450, 300:600] = True
    light[clipped] = 1.0


@pytest.mark.parametrize(
    ("edit", "words"),
    [(board, "empty"), (one_small_piece, "empty"), (ruled, "edges or dirt"), (burnt, "overexposed")],
)
def test_what_is_no_empty_lightbox_is_refused(edit, words):
    with pytest.raises(PhotoError) as caught:
        bare_light(beside(bump, bump, edit=edit), REFERENCE, sheet_height_mm=0.0)
    assert str(caught.value).startswith("empty.jpg: ")
    assert words in str(caught.value)
    assert "--bare" in str(caught.value)


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (lambda x, _: 0.7 * (1 + 0.10 * np.cos(x / 12.0)), "shaped otherwise"),
        (lambda x, _: 0.6 * (1 + 0.006 * x), "shaped otherwise"),
        (lambda x, y: 0.25 * bump(x, y) / 0.7, "exposed otherwise"),
    ],
    ids=["another lightbox", "another slope", "another exposure"],
)
def test_the_light_of_another_lightbox_is_refused(level, words):
    with pytest.raises(PhotoError) as caught:
        bare_light(beside(bump, level), REFERENCE, sheet_height_mm=0.0)
    assert str(caught.value).startswith("empty.jpg: ")
    assert words in str(caught.value)
    assert "board.jpg" in str(caught.value)


def test_smoothing_leaves_a_slope_alone_and_bends_by_the_closed_form():
    """Local straight lines reproduce a plane exactly, gaps or not. Twicing: a Gaussian bump of width s keeps
    2 s²/(s² + σ²) − s²/(s² + 2σ²) of its height (convolution of Gaussians, twice)."""
    v, u = np.mgrid[0:60, 0:80].astype(float)
    plane = 0.3 + 0.01 * u - 0.02 * v
    holed = np.ones(plane.shape, bool)
    holed[20:34, 30:50] = False
    holed[:, :6] = False
    np.testing.assert_allclose(_local_line(np.where(holed, plane, 9.0), holed, 2.0), plane, atol=2e-3)
    s, sigma = 5.0, 2.0
    round_bump = np.exp(-((u - 40) ** 2 + (v - 30) ** 2) / (2 * s * s))
    kept = _smooth(round_bump, np.ones(plane.shape, bool), sigma)[30, 40]
    assert kept == pytest.approx(2 * s**2 / (s**2 + sigma**2) - s**2 / (s**2 + 2 * sigma**2), abs=0.004)
