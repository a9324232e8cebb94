"""The camera found from pictures of the frame, rendered by OpenCV from the drawing, against the camera that took them."""

from __future__ import annotations

import numpy as np
import pytest

from gapscan.errors import PhotoError
from gapscan.photo.camera import back_project
from gapscan.photo.layout import frame_layout
from gapscan.photo.reference import find_reference
from gapscan.photo.types import Photo

from .renderer import SIZE, View, photo_of, quad

FOCAL_PX = 26 / 36 * SIZE[0]
SCALE_REL = 2e-4


def true_scale(layout, view) -> float:
    """Mean of the local scale over the middle four fifths of the opening."""
    along = np.linspace(-0.4, 0.4, 5)
    grid = np.stack(np.meshgrid(along * layout.width_mm, along * layout.height_mm), axis=-1).reshape(-1, 2)
    return float(view.px_per_mm(grid).mean())


def found(layout, view, **how):
    how.setdefault("focal_px", (FOCAL_PX,))
    return find_reference(photo_of(layout, view, **how), layout, card_thickness_mm=0.6)


@pytest.mark.parametrize(
    ("opening", "roll_deg", "tilt_deg", "k1", "turned_over"),
    [
        ((80.0, 65.0), 0.0, 2.0, 0.0, False),
        ((80.0, 65.0), 37.0, 6.0, 0.03, True),
        ((120.0, 80.0), 90.0, 4.0, -0.02, False),
        ((60.0, 60.0), 190.0, 5.0, 0.02, True),
    ],
)
def test_camera_is_found_whatever_the_turn_and_side(opening, roll_deg, tilt_deg, k1, turned_over):
    layout = frame_layout(*opening)
    view = View(layout, focal_px=FOCAL_PX, roll_deg=roll_deg, tilt_deg=tilt_deg, k1=k1)
    reference = found(layout, view, turned_over=turned_over)
    assert reference.frame_mirrored is turned_over
    assert reference.px_per_mm == pytest.approx(true_scale(layout, view), rel=SCALE_REL)
    assert reference.rms_mm < 0.02
    # The card has holes round the whole ring: sheet points come out where the true camera sees them.
    corners = np.array([[-0.45, -0.45], [0.45, -0.45], [0.45, 0.45], [-0.45, 0.45], [0, 0]]) * opening
    apart = back_project(reference.camera, view.pixels(corners)) - corners
    assert np.hypot(*apart.T).max() < 0.02
    # Place of the camera within its stated uncertainty, and the height within the focal length's.
    eye = reference.camera.place_mm - view.place_mm
    assert abs(eye[2]) < 4 * reference.focal_rel_u * view.place_mm[2] + 1.0
    assert np.hypot(eye[0], eye[1]) < 4 * reference.foot_u_mm + 1.0
    assert any("turned over" in w for w in reference.warnings) is turned_over


def test_kerf_does_not_shift_the_scale():
    layout = frame_layout(80.0, 65.0)
    view = View(layout, focal_px=FOCAL_PX, roll_deg=4.0)
    wanted = true_scale(layout, view)
    scales = [found(layout, view, kerf_mm=kerf).px_per_mm for kerf in (0.0, 0.15, 0.3)]
    np.testing.assert_allclose(np.array(scales) / wanted, 1.0, atol=SCALE_REL)


def test_half_of_the_markers_hidden():
    layout = frame_layout(120.0, 80.0)
    view = View(layout, focal_px=FOCAL_PX, roll_deg=-8.0)
    hidden = [quad(m.corners_mm.mean(axis=0), 5.2 * layout.cell_mm) for m in layout.markers[::2]]
    reference = found(layout, view, covered=hidden)
    assert reference.px_per_mm == pytest.approx(true_scale(layout, view), rel=SCALE_REL)
    assert reference.markers_seen <= len(layout.markers) - len(hidden)
    assert reference.markers_total == len(layout.markers)
    assert any("markers were not read" in w for w in reference.warnings)


def test_some_holes_half_covered_by_tape():
    """Two holes half covered shift their centroids; they must not bend the camera."""
    layout = frame_layout(120.0, 80.0)
    view = View(layout, focal_px=FOCAL_PX)
    covered = [quad(d + (0.9 * layout.dot_radius_mm, 0.0), 0.9 * layout.dot_radius_mm) for d in layout.dots_mm[3:20:8]]
    reference = found(layout, view, covered=covered)
    assert reference.px_per_mm == pytest.approx(true_scale(layout, view), rel=SCALE_REL)
    assert reference.rms_mm < 0.02


def test_the_right_one_of_two_focal_lengths_is_taken():
    """A 26 mm-equivalent read by diagonal is 4 % longer: perspective tells, or the doubt is stated."""
    layout = frame_layout(80.0, 65.0)
    view = View(layout, focal_px=FOCAL_PX, tilt_deg=9.0)
    reference = found(layout, view, focal_px=(FOCAL_PX * 1.04, FOCAL_PX))
    error = abs(reference.camera.focal_px / FOCAL_PX - 1)
    assert error < max(2 * reference.focal_rel_u, 0.02)


def test_without_exif_the_scale_holds_and_the_doubt_is_stated():
    layout = frame_layout(80.0, 65.0)
    view = View(layout, focal_px=FOCAL_PX * 1.1, tilt_deg=7.0)
    blind = found(layout, view, focal_px=())
    told = found(layout, view, focal_px=(FOCAL_PX * 1.1,))
    assert blind.px_per_mm == pytest.approx(true_scale(layout, view), rel=SCALE_REL)
    assert blind.focal_rel_u > told.focal_rel_u
    assert abs(np.log(blind.camera.focal_px / (FOCAL_PX * 1.1))) < 4 * blind.focal_rel_u


def refused(photo: Photo, layout) -> str:
    with pytest.raises(PhotoError) as caught:
        find_reference(photo, layout, card_thickness_mm=0.6)
    assert caught.value.exit_code == 3
    assert "frame.jpg" in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("level", [0.0, 0.5])
def test_no_frame_in_the_picture(level):
    light = np.full(SIZE[::-1], level, np.float32)
    light += np.random.default_rng(1).normal(0, 0.01, light.shape).astype(np.float32) * (level > 0)
    shown = np.zeros((*light.shape, 3), np.uint8)
    message = refused(Photo("frame.jpg", light, light > 2, shown, ()), frame_layout(80.0, 65.0))
    assert "scale frame not found" in message
    assert "80x65" in message


def test_too_few_round_holes():
    layout = frame_layout(80.0, 65.0)
    view = View(layout, focal_px=FOCAL_PX)
    covered = [quad(d, 1.3 * layout.dot_radius_mm) for d in layout.dots_mm[5:]]
    message = refused(photo_of(layout, view, covered=covered, focal_px=(FOCAL_PX,)), layout)
    assert "round holes" in message
    assert "of the frame's" in message


@pytest.mark.parametrize(("cut", "named"), [((120.0, 80.0), (80.0, 65.0)), ((80.0, 65.0), (120.0, 80.0))])
def test_another_frame_than_the_drawing_says(cut, named):
    """The holes lie where no camera could see those of the drawing."""
    view_layout, layout = frame_layout(*cut), frame_layout(*named)
    view = View(view_layout, focal_px=FOCAL_PX)
    assert "frame" in refused(photo_of(view_layout, view, focal_px=(FOCAL_PX,)), layout)
