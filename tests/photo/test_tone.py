"""Tone curve and sharpening found from the frame's opening and undone, on pictures drawn here from closed forms.

A straight edge blurred by a Gaussian is an error function, a rectangle's picture a product of such. sRGB is
colour-science's, the unsharp mask scipy's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from gapscan.photo.edge_spread import edge_spreads
from gapscan.photo.tone import Rendering, find_rendering, undo_rendering
from gapscan.photo.types import Photo, Reference
from tests.measure.specimens import square_on
from tests.srgb import decode, encode

SIZE, PX_PER_MM = (900, 700), 8.0
OPENING_MM, BOARD_MM, SLIT_MM = (80.0, 60.0), (64.0, 44.0), (0.25, 34.0)
DARK, BRIGHT, WOOD = 0.012, 0.82, 0.05
BLUR_PX, TURN_DEG, FINE = 1.2, 3.0, 2


def on_sheet(turn_deg: float, du: float = 0.0, dv: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Sheet coordinates [px] of all pixels, moved by part of a pixel."""
    u, v = np.meshgrid(np.arange(SIZE[0]) - (SIZE[0] - 1) / 2 + du, np.arange(SIZE[1]) - (SIZE[1] - 1) / 2 + dv)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    return c * u + s * v, -s * u + c * v


def scene(turn_deg: float = TURN_DEG, *, bright: float = BRIGHT) -> np.ndarray:
    """Linear light: an opening in a dark card, a board of wood in it, a slit in the board."""
    total = np.zeros(SIZE[::-1])
    within = (np.arange(FINE) + 0.5) / FINE - 0.5
    for du, dv in np.stack(np.meshgrid(within, within), axis=-1).reshape(-1, 2):
        x, y = on_sheet(turn_deg, du, dv)

        def rectangle(size_mm: tuple[float, float], x: np.ndarray = x, y: np.ndarray = y) -> np.ndarray:
            a, b = (PX_PER_MM * size / 2 for size in size_mm)
            along_x = ndtr((x + a) / BLUR_PX) - ndtr((x - a) / BLUR_PX)
            return along_x * (ndtr((y + b) / BLUR_PX) - ndtr((y - b) / BLUR_PX))

        bare = rectangle(OPENING_MM) - rectangle(BOARD_MM) + rectangle(SLIT_MM)
        total += DARK + (bright - DARK) * bare + (WOOD - DARK) * (rectangle(BOARD_MM) - rectangle(SLIT_MM))
    return total / FINE**2


def reference(turn_deg: float = TURN_DEG) -> Reference:
    straight = square_on(SIZE, PX_PER_MM, OPENING_MM)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    turned = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return replace(straight, camera=replace(straight.camera, rotation=turned))


def s_shape(strength: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda v: v - strength * np.sin(2 * np.pi * v) / (2 * np.pi)


def bow(strength: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda v: v - strength * np.sin(np.pi * v) / np.pi


def smooth_step(share: float) -> Callable[[np.ndarray], np.ndarray]:
    """A contrast curve of another family than the one that is fitted."""
    return lambda v: (1 - share) * v + share * v * v * (3 - 2 * v)


def photographed(
    light: np.ndarray,
    *,
    sharpen: float = 0.0,
    radius_px: float = 1.2,
    curve: Callable[[np.ndarray], np.ndarray] = lambda v: v,
) -> Photo:
    """Noise, sRGB, unsharp mask, tone curve, eight bits; read back as plain sRGB."""
    noise = np.random.default_rng(0).normal(0, 0.003, light.shape) * np.sqrt(np.clip(light, 0.02, 1))
    code = encode(np.clip(light + noise, 0, 1))
    code = (1 + sharpen) * code - sharpen * gaussian_filter(code, radius_px)
    code = np.round(curve(np.clip(code, 0, 1)) * 255) / 255
    read = decode(code).astype(np.float32)
    return Photo("edge.jpg", read, code >= 1, np.zeros((*light.shape, 3), np.uint8), ())


def slit_width(light: np.ndarray) -> float:
    """Width of the slit [px] from the light that it adds to the wood, against bare light."""
    x, y = on_sheet(TURN_DEG)
    long = np.abs(y) < 15 * PX_PER_MM
    wood = np.median(light[long & (np.abs(x) > 12) & (np.abs(x) < 40)])
    bare = np.median(light[long & (np.abs(np.abs(x) - 36 * PX_PER_MM) < 2 * PX_PER_MM)])
    return float((light[long & (np.abs(x) < 9)] - wood).sum() / (bare - wood) / (30 * PX_PER_MM))


@pytest.fixture(scope="module")
def light() -> np.ndarray:
    return scene()


def found(photo: Photo) -> Rendering:
    rendering = find_rendering(edge_spreads(photo, reference()))
    assert rendering is not None
    return rendering


def check(rendering: Rendering, *, sharpen: float = 0.0, s_shape: float = 0.0) -> None:
    """Within twice the stated uncertainty, and the edges are put right."""
    assert abs(rendering.sharpen - sharpen) < 2 * rendering.u_sharpen
    assert abs(rendering.s_shape - s_shape) < 2 * rendering.u_s_shape
    assert abs(rendering.bow) < 2 * rendering.u_bow
    assert rendering.residual < 0.0015


def test_a_plain_photo_is_left_as_it_is(light):
    photo = photographed(light)
    rendering = found(photo)
    check(rendering)
    assert not rendering.sharpened
    assert not rendering.curved
    assert undo_rendering(photo, rendering) is photo
    assert slit_width(photo.light) == pytest.approx(SLIT_MM[0] * PX_PER_MM, rel=0.005)


@pytest.mark.parametrize(("strength", "radius"), [(0.3, 1.2), (0.8, 1.2), (0.4, 1.8), (0.6, 0.9)])
def test_sharpening(light, strength, radius):
    photo = photographed(light, sharpen=strength, radius_px=radius)
    rendering = found(photo)
    check(rendering, sharpen=strength)
    assert rendering.sharpened
    assert not rendering.curved
    # The mask's bend at low frequency is known better than strength and radius apart.
    assert rendering.sharpen * rendering.radius_px**2 == pytest.approx(strength * radius**2, rel=0.3)
    restored(photo, rendering, at_first=0.02, left=0.012)


@pytest.mark.parametrize("strength", [-0.12, 0.12, 0.25])
def test_s_shaped_curve(light, strength):
    photo = photographed(light, curve=s_shape(strength))
    rendering = found(photo)
    check(rendering, s_shape=strength)
    assert rendering.curved
    assert not rendering.sharpened
    restored(photo, rendering, at_first=0.02, left=0.02)


@pytest.mark.parametrize("strength", [-0.08, 0.08])
def test_a_plain_bow_is_not_told_from_another_blur_and_left_alone(light, strength):
    """A limit of the method, stated: what scales all light by a power changes an edge as another lens would."""
    photo = photographed(light, curve=bow(strength))
    assert undo_rendering(photo, found(photo)) is photo


@pytest.mark.parametrize(
    "blur", [lambda x: disc_edge(x, 2.4), lambda x: 0.8 * ndtr(x / 0.9) + 0.2 * ndtr(x / 2.7)], ids=["disc", "tails"]
)
def test_no_curve_is_invented_for_another_shape_of_blur(blur):
    """A lens out of focus, and one that scatters: the edge is no error function, yet the camera did nothing to it."""
    x, y = on_sheet(TURN_DEG)
    a, b = (PX_PER_MM * size / 2 for size in OPENING_MM)
    opening = (blur(x + a) - blur(x - a)) * (blur(y + b) - blur(y - b))
    photo = photographed(DARK + (BRIGHT - DARK) * opening)
    rendering = found(photo)
    assert not rendering.curved
    assert not rendering.sharpened


def disc_edge(x: np.ndarray, radius: float) -> np.ndarray:
    """A step blurred by an even disc: the area of a circle's part (closed form)."""
    t = np.clip(x / radius, -1.0, 1.0)
    return 0.5 + (t * np.sqrt(1 - t**2) + np.arcsin(t)) / np.pi


def test_sharpening_and_curve_together(light):
    photo = photographed(light, sharpen=0.6, radius_px=1.0, curve=s_shape(0.2))
    rendering = found(photo)
    check(rendering, sharpen=0.6, s_shape=0.2)
    assert rendering.sharpened
    assert rendering.curved
    restored(photo, rendering, at_first=0.08, left=0.02)


def test_a_contrast_curve_of_another_family(light):
    photo = photographed(light, curve=smooth_step(0.3))
    rendering = found(photo)
    assert rendering.curved
    restored(photo, rendering, at_first=0.02, left=0.01)


def restored(photo: Photo, rendering: Rendering, *, at_first: float, left: float) -> None:
    """What gaps are measured by: the slit's light was off by more than ``at_first``, and is by less than ``left``."""
    truth = SLIT_MM[0] * PX_PER_MM
    undone = undo_rendering(photo, rendering)
    assert abs(slit_width(photo.light) / truth - 1) > at_first
    assert abs(slit_width(undone.light) / truth - 1) < left
    assert undone.display_bgr is photo.display_bgr
    np.testing.assert_array_equal(undone.clipped, photo.clipped)


def test_edges_along_the_pixel_rows_tell_nothing():
    """They meet the pixels at one phase only: no spread of the edge can be put together from that."""
    photo = photographed(scene(0.0), sharpen=0.8, curve=s_shape(0.2))
    assert find_rendering(edge_spreads(photo, reference(0.0))) is None


def test_a_dark_opening_tells_nothing():
    assert find_rendering(edge_spreads(photographed(scene(bright=0.06)), reference())) is None


def rendering_of(*, sharpen: float = 0.0, radius_px: float = 1.2, s_shape: float = 0.0, bow: float = 0.0) -> Rendering:
    return Rendering(sharpen, radius_px, s_shape, bow, 0.01, 0.01, 0.01, sharpen != 0, s_shape != 0 or bow != 0, 0.0)


@pytest.mark.parametrize(
    "how",
    [
        {"sharpen": 0.9},
        {"sharpen": 2.0, "radius_px": 2.5},
        {"s_shape": 0.3},
        {"bow": -0.1},
        {"sharpen": 0.6, "radius_px": 0.8, "s_shape": -0.2, "bow": 0.05},
    ],
)
def test_undoing_is_the_inverse_of_the_camera(how):
    rng = np.random.default_rng(4)
    smooth = gaussian_filter(rng.normal(size=(240, 300)), 1.5)
    code = 0.5 + 0.12 * smooth / np.abs(smooth).max()  # leaves room for overshoot: what is clipped cannot be undone
    k, radius = how.get("sharpen", 0.0), how.get("radius_px", 1.2)
    seen = (1 + k) * code - k * gaussian_filter(code, radius, truncate=6.0)
    assert seen.min() > 0
    assert seen.max() < 1
    a, b = how.get("s_shape", 0.0), how.get("bow", 0.0)
    seen = seen - a * np.sin(2 * np.pi * seen) / (2 * np.pi) - b * np.sin(np.pi * seen) / np.pi
    read = decode(seen).astype(np.float32)
    photo = Photo("wood.png", read, read > 2, np.zeros((*read.shape, 3), np.uint8), ())
    undone = encode(undo_rendering(photo, rendering_of(**how)).light)
    inner = (slice(20, -20), slice(20, -20))
    assert np.abs(seen - code)[inner].max() > 0.02
    assert np.abs(undone - code)[inner].max() < 0.003
