"""The camera model against OpenCV's own, and its derived quantities against finite differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gapscan.photo.camera import back_project, lean, project, px_per_mm, rotation_from_vector
from gapscan.photo.types import Camera


def camera(vector=(0.0, 0.0, 0.0), *, k1=0.0, height=500.0, focal=3000.0, principal=(2010.0, 1490.0)) -> Camera:
    return Camera(
        focal_px=focal,
        principal_px=principal,
        k1=k1,
        rotation=cv2.Rodrigues(np.array(vector, dtype=float))[0],
        translation_mm=np.array([8.0, -5.0, height]),
        image_size_px=(4000, 3000),
    )


angles = st.floats(-0.25, 0.25)
cameras = st.builds(
    lambda a, b, c, k1, height: camera((a, b, c), k1=k1, height=height),
    angles,
    angles,
    st.floats(-3.1, 3.1),
    st.floats(-0.12, 0.12),
    st.floats(250.0, 1200.0),
)
POINTS = np.stack(np.meshgrid(np.linspace(-90, 90, 7), np.linspace(-60, 60, 5)), axis=-1).reshape(-1, 2)


@settings(max_examples=60, deadline=None)
@given(cameras, st.floats(0.0, 5.0))
def test_projection_agrees_with_opencv(cam, height):
    # OpenCV documentation, calib3d: pinhole with distortion (k1, k2, p1, p2) = (k1, 0, 0, 0).
    K = np.array([[cam.focal_px, 0, cam.principal_px[0]], [0, cam.focal_px, cam.principal_px[1]], [0, 0, 1.0]])
    # The rotation goes in beforehand: OpenCV's way from matrix to vector drops turns below about 1e-5.
    xyz = np.column_stack([POINTS, np.full(len(POINTS), -height)]) @ cam.rotation.T
    wanted, _ = cv2.projectPoints(xyz, np.zeros(3), cam.translation_mm, K, np.array([cam.k1, 0.0, 0.0, 0.0]))
    np.testing.assert_allclose(project(cam, POINTS, height_mm=height), wanted[:, 0], atol=1e-5)


def test_each_point_may_have_its_own_height():
    cam = camera((0.05, -0.1, 0.4), k1=0.03)
    heights = np.linspace(0.0, 3.0, len(POINTS))
    together = project(cam, POINTS, height_mm=heights)
    for xy, h, uv in zip(POINTS, heights, together, strict=True):
        np.testing.assert_allclose(project(cam, xy[None], height_mm=float(h))[0], uv, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(cameras, st.floats(0.0, 5.0))
def test_back_projection_undoes_projection(cam, height):
    uv = project(cam, POINTS, height_mm=height)
    np.testing.assert_allclose(back_project(cam, uv, height_mm=height), POINTS, atol=2e-4)


@settings(max_examples=60, deadline=None)
@given(cameras, st.floats(0.0, 3.0))
def test_lean_is_the_run_of_the_line_of_sight(cam, height):
    """A ray met at height h meets the lightbox at x + h·lean; here the two planes are met by finite difference."""
    uv = project(cam, POINTS, height_mm=height)
    step = 0.5
    above, below = (back_project(cam, uv, height_mm=height + s) for s in (step, -step))
    np.testing.assert_allclose(lean(cam, POINTS, height_mm=height), (below - above) / (2 * step), atol=2e-5)


def test_lean_of_an_upright_camera_is_r_over_h():
    # Similar triangles: tan θ = r / h.
    cam = camera(height=600.0)
    x, y, h = cam.place_mm
    assert h == pytest.approx(600.0)
    at = np.array([[x + 100.0, y], [x, y - 30.0], [x, y]])
    np.testing.assert_allclose(lean(cam, at), np.array([[100, 0], [0, -30], [0, 0]]) / 600.0, atol=1e-12)


def test_scale_of_an_upright_camera_is_focal_over_distance():
    cam = camera(height=500.0)
    np.testing.assert_allclose(px_per_mm(cam, POINTS), 3000.0 / 500.0, rtol=1e-9)
    np.testing.assert_allclose(px_per_mm(cam, POINTS, height_mm=2.0), 3000.0 / 498.0, rtol=1e-9)


def test_scale_is_the_root_of_the_magnified_area():
    cam = camera((0.2, -0.1, 0.5), k1=0.05)
    corners = np.array([[-0.2, -0.2], [0.2, -0.2], [0.2, 0.2], [-0.2, 0.2]])
    for xy in POINTS[::6]:
        u, v = project(cam, xy + corners).T
        area = 0.5 * abs(np.sum(u * np.roll(v, -1) - v * np.roll(u, -1)))  # shoelace formula
        assert px_per_mm(cam, xy[None])[0] == pytest.approx(np.sqrt(area) / 0.4, rel=1e-5)


@given(st.tuples(*[st.floats(-2.0, 2.0)] * 3))
@settings(max_examples=60, deadline=None)
def test_rotation_vector_agrees_with_opencv(vector):
    np.testing.assert_allclose(rotation_from_vector(np.array(vector)), cv2.Rodrigues(np.array(vector))[0], atol=1e-9)
