"""The simulated camera against OpenCV's, which is written independently."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from gapscan.simulate.optics import CameraSettings, fill_picture, place_camera


@pytest.mark.parametrize("tilt", [0.0, 3.0, 6.0, 20.0])
@pytest.mark.parametrize("k", [(0.0, 0.0), (-0.04, 0.01)])
def test_projection_agrees_with_opencv(tilt: float, k: tuple[float, float]) -> None:
    camera = place_camera(
        CameraSettings(tilt_deg=tilt, azimuth_deg=37, roll_deg=-112, look_at_mm=(4, -7), k1=k[0], k2=k[1])
    )
    xy = np.random.default_rng(1).uniform(-80, 80, (50, 2))
    for height in (0.0, 0.6):
        x, y, h = camera.place_mm
        translation = -camera.rotation @ np.array([x, y, -h])
        f, (cu, cv) = camera.focal_px, camera.principal_px
        matrix = np.array([[f, 0, cu], [0, f, cv], [0, 0, 1]])
        points = np.column_stack([xy, np.full(len(xy), -height)])
        turn, _ = cv2.Rodrigues(camera.rotation)
        wanted, _ = cv2.projectPoints(points, turn, translation, matrix, np.array([*k, 0.0, 0.0]))
        np.testing.assert_allclose(camera.project(xy, height), wanted.reshape(-1, 2), atol=1e-7)


def test_scale_and_place_on_the_axis() -> None:
    settings = CameraSettings(px_per_mm=20, tilt_deg=5, azimuth_deg=200, roll_deg=31, look_at_mm=(10, 5))
    camera = place_camera(settings)
    seen = camera.project(np.array([[10.0, 5.0]]), 0.0)
    np.testing.assert_allclose(seen[0], camera.principal_px, atol=1e-9)
    assert camera.place_mm[2] == pytest.approx(settings.focal_px / 20 * np.cos(np.deg2rad(5)))
    assert np.linalg.det(camera.rotation) == pytest.approx(1.0)


def test_focal_length_from_the_equivalent() -> None:
    # 35 mm-equivalent 26 mm: horizontal field 69.39° by width (36 mm), facts computed by arctangent
    focal = CameraSettings(equivalent_mm=26, width_px=4000).focal_px
    assert np.rad2deg(2 * np.arctan(2000 / focal)) == pytest.approx(69.39, abs=0.005)


def test_a_higher_point_is_seen_shifted_outward_by_r_t_over_h_minus_t() -> None:
    camera = place_camera(CameraSettings(px_per_mm=20))
    h, t, r = camera.place_mm[2], 0.6, 50.0
    seen = camera.project(np.array([[r, 0.0]]), t)
    same = camera.project(np.array([[r + r * t / (h - t), 0.0]]), 0.0)
    np.testing.assert_allclose(seen, same, atol=1e-9)


def test_fill_picture_brings_the_outline_to_the_rim() -> None:
    corners = np.array([[-100, -70], [100, -70], [100, 70], [-100, 70]], dtype=float)
    held = fill_picture(CameraSettings(tilt_deg=5, azimuth_deg=70, roll_deg=3, k1=-0.01), corners, rim_px=12)
    seen = place_camera(held).project(corners, 0.0)
    room = np.minimum(seen, np.array([3999, 2999]) - seen).min()
    assert room == pytest.approx(12.0, abs=0.01)
    assert fill_picture(CameraSettings(), corners, most_px_per_mm=10.0).px_per_mm == 10.0
