"""The slit over the lightbox: what is seen through it, by the closed form of the slanted view."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Polygon, box

from gapscan.simulate.develop import DevelopSettings, expose
from gapscan.simulate.light import LightSettings, Solid
from gapscan.simulate.optics import CameraSettings, place_camera
from gapscan.simulate.render import Stage, Tape, radiance

T_MM = 0.6
LEAN_MM = T_MM * np.tan(np.deg2rad(4.0))
CAMERA = CameraSettings(width_px=1600, height_px=64, equivalent_mm=67.5, px_per_mm=20.0)
HEIGHT_MM = CAMERA.focal_px / CAMERA.px_per_mm  # 150
FLAT = LightSettings(
    level=(1.0, 1.0, 1.0),
    tilt_share=(0.0, 0.0),
    bulge_share=0.0,
    vignetting=0.0,
    glow={"black": (0.0, 0.0, 0.0), "pale": (0.2, 0.1, 0.05)},
    grain_share=0.0,
    card_glow=0.0,
)
LIGHTBOX = box(-200, -200, 200, 200)

# walls of the slit against its lower-face left edge: how far each upper edge lies to the right of the
# lower one
WALLS = {
    "upright": (0.0, 0.0),
    "wider above": (-LEAN_MM, LEAN_MM),
    "wider below": (LEAN_MM, -LEAN_MM),
    "parallel, leaning right": (LEAN_MM, LEAN_MM),
    "parallel, leaning left": (-LEAN_MM, -LEAN_MM),
}


def sheets(x_mm: float, gap_mm: float, walls: tuple[float, float]) -> tuple[Solid, Solid]:
    """Two black sheets with a slit along y whose lower edges lie at x and x + gap."""
    a, b = x_mm, x_mm + gap_mm
    left = Solid(box(-150, -60, a, 60), box(-150, -60, a + walls[0], 60), T_MM, "black", 0.0, 1)
    right = Solid(box(b, -60, 150, 60), box(b + walls[1], -60, 150, 60), T_MM, "black", 0.0, 2)
    return left, right


@pytest.mark.parametrize("walls", WALLS.values(), ids=WALLS.keys())
@pytest.mark.parametrize("x_mm", [-30.0, -9.0, 0.013, 6.0, 21.0, 33.0])
@pytest.mark.parametrize("gap_mm", [0.1, 0.25])
def test_light_through_a_slit(walls: tuple[float, float], x_mm: float, gap_mm: float) -> None:
    # source: derivation from straight rays and straight walls, w = min(b1, b0 + t tanθ) − max(a1, a0 + t
    # tanθ), with
    # θ the way down of the ray towards the camera's foot; exact per edge here, as θ differs a little
    # across the slit
    camera = place_camera(CAMERA)
    red = next(radiance(Stage(sheets(x_mm, gap_mm, walls), LIGHTBOX), camera, FLAT))
    blurred = expose(red, DevelopSettings(blur_sigma_px=1.3, glare_share=0.0, halo_share=0.0))
    seen_mm = float(blurred[32].sum(dtype=np.float64)) / CAMERA.px_per_mm  # at the lightbox's scale
    tan = x_mm / HEIGHT_MM
    a0, b0 = 0.0, gap_mm
    # ray through the upper face at x crosses the lower one at x + t tanθ
    wanted = max(min(b0 + walls[1], b0 - T_MM * tan) - max(a0 + walls[0], a0 - T_MM * tan), 0.0)
    assert seen_mm == pytest.approx(wanted, abs=0.0012)


def test_upright_slit_loses_t_tan_theta() -> None:
    camera = place_camera(CAMERA)
    for x_mm in (-30.0, 15.0):
        red = next(radiance(Stage(sheets(x_mm, 0.2, (0.0, 0.0)), LIGHTBOX), camera, FLAT))
        seen_mm = float(red[32].sum(dtype=np.float64)) / CAMERA.px_per_mm
        assert seen_mm == pytest.approx(0.2 - T_MM * abs(x_mm) / HEIGHT_MM, abs=0.0012)


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 80.0])
def test_light_of_a_slit_under_the_camera_is_its_area_at_every_angle(angle: float) -> None:
    settings = CameraSettings(width_px=400, height_px=400, equivalent_mm=300.0, px_per_mm=20.0)
    slit = affinity.rotate(box(-6.0, -0.04, 6.0, 0.04), angle, origin=(0, 0))
    sheet = Polygon(box(-60, -60, 60, 60).exterior, [slit.exterior])
    solid = Solid(sheet, sheet, T_MM, "black", 0.0, 1)
    red = next(radiance(Stage((solid,), LIGHTBOX), place_camera(settings), FLAT))
    assert red.sum(dtype=np.float64) / 400.0 == pytest.approx(slit.area, rel=1e-5)


def test_no_gap_gives_no_light() -> None:
    red = next(radiance(Stage(sheets(0.0, 0.0, (0.0, 0.0)), LIGHTBOX), place_camera(CAMERA), FLAT))
    assert float(red.max()) == pytest.approx(0.0, abs=1e-6)


def test_wood_glows_in_its_own_colour_and_the_lightbox_ends() -> None:
    settings = CameraSettings(width_px=300, height_px=200, equivalent_mm=60.0, px_per_mm=5.0)
    pale = box(-8, -8, 8, 8)
    stage = Stage((Solid(pale, pale, T_MM, "pale", 0.0, 1),), lightbox=box(-20, -15, 20, 15))
    red, green, blue = radiance(stage, place_camera(settings), FLAT)
    assert red[100, 150] == pytest.approx(0.2, abs=1e-5)
    assert green[100, 150] == pytest.approx(0.1, abs=1e-5)
    assert blue[100, 150] == pytest.approx(0.05, abs=1e-5)
    assert red[100, 210] == pytest.approx(1.0)
    assert red[100, 290] == 0.0


def test_tape_dims_and_spreads() -> None:
    strip = Tape(box(-5, -1, 5, 1), height_mm=T_MM, transmission=0.7, diffusion=0.4, spread_px=5.0)
    camera = place_camera(CAMERA)
    bare = next(radiance(Stage(sheets(0.0, 0.3, (0.0, 0.0)), LIGHTBOX), camera, FLAT))
    taped = next(radiance(Stage(sheets(0.0, 0.3, (0.0, 0.0)), LIGHTBOX, (strip,)), camera, FLAT))
    assert taped[32].sum() == pytest.approx(0.7 * bare[32].sum(), rel=1e-3)
    assert taped[32].max() < 0.7 * bare[32].max()
    np.testing.assert_array_equal(taped[2], bare[2])
