"""Where the drawing lies on the sheet, against where the simulator laid it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from gapscan.design.read import read_design
from gapscan.design.types import Design, Piece
from gapscan.errors import PhotoError
from gapscan.photo.camera import project
from gapscan.photo.load import read_photo
from gapscan.photo.reference import find_reference
from gapscan.photo.types import Photo
from gapscan.register.outline import drawn_outline, placed
from gapscan.register.register import register_design
from gapscan.register.types import Registration

CORNERS = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 45.0], [0.0, 45.0], [30.0, 20.0]])


def test_to_sheet_and_back():
    at = Registration(True, 33.0, (4.0, -2.0), 0.0, 0.0)
    np.testing.assert_allclose(at.to_design(at.to_sheet(CORNERS)), CORNERS, atol=1e-9)
    # x towards y for positive angles, mirrored in x first (the definition of the registration, worked by hand)
    quarter = Registration(True, 90.0, (10.0, 0.0), 0.0, 0.0)
    np.testing.assert_allclose(quarter.to_sheet(np.array([[2.0, 3.0]])), [[10.0 - 3.0, -2.0]], atol=1e-12)
    assert (quarter.view, Registration(False, 0.0, (0, 0), 0, 0).view) == ("back", "front")


def test_placing_puts_the_centroid_where_it_is_wanted():
    square = Polygon([(0, 0), (8, 0), (8, 4), (0, 4)])
    outline = drawn_outline(Design("d", (Piece("a", square),), (), (), ()))
    assert outline.area_mm2 == pytest.approx(32.0, rel=0.02)
    np.testing.assert_allclose(outline.centroid_mm, (4.0, 2.0), atol=1e-6)
    at = placed(False, 77.0, outline, np.array([1.0, -3.0]))
    np.testing.assert_allclose(at.to_sheet(np.array([[4.0, 2.0]])), [[1.0, -3.0]], atol=1e-6)


def apart_mm(found: Registration, truth) -> float:
    wanted = CORNERS @ truth.to_table.T + truth.shift_mm
    return float(np.hypot(*(found.to_sheet(CORNERS) - wanted).T).max())


def test_front(faulty_front, front_photo):
    found, _ = register_design(*front_photo, faulty_front.design, faulty_front.job)
    assert not found.mirrored
    assert apart_mm(found, faulty_front.truth) < 0.15
    assert found.outline_rms_mm < 0.3
    assert found.seam_share > 0.9


@pytest.mark.parametrize("view", ["back", "auto"])
def test_back_asked_for_or_found_out(faulty_back, studio, view):
    photo = read_photo(faulty_back.photo_path)
    reference = find_reference(photo, studio.layout, card_thickness_mm=0.6)
    found, _ = register_design(photo, reference, faulty_back.design, replace(faulty_back.job, view=view))
    assert found.mirrored
    assert apart_mm(found, faulty_back.truth) < 0.15


def test_the_drawing_may_lie_anywhere_in_its_own_coordinates(faulty_front, front_photo, tmp_path):
    """The same drawing moved by a metre on the page lands on the same veneer."""
    text = faulty_front.design_path.read_text(encoding="utf-8")
    start, end = text.index(">", text.index("<svg")) + 1, text.rindex("</svg>")
    moved = text[:start] + '<g transform="translate(1000 -500)">' + text[start:end] + "</g>" + text[end:]
    path = tmp_path / "moved.svg"
    path.write_text(moved, encoding="utf-8")
    found, _ = register_design(*front_photo, read_design(path), faulty_front.job)
    there = found.to_sheet(CORNERS + (1000.0, -500.0))
    wanted = CORNERS @ faulty_front.truth.to_table.T + faulty_front.truth.shift_mm
    assert np.hypot(*(there - wanted).T).max() < 0.15


def refused(photo, reference, design, job) -> str:
    with pytest.raises(PhotoError) as caught:
        register_design(photo, reference, design, job)
    assert "front.jpg" in str(caught.value)
    return str(caught.value)


def test_another_design_of_the_same_size_is_refused(studio, faulty_front, front_photo):
    message = refused(*front_photo, read_design(studio.other_drawing), replace(faulty_front.job, view="auto"))
    assert "this design" in message


def test_a_design_of_another_size_is_refused_with_both_areas(faulty_front, front_photo):
    smaller = Design("d", faulty_front.design.pieces[:6], (), (), ())
    message = refused(*front_photo, smaller, faulty_front.job)
    assert "mm²" in message
    assert "units" in message


def test_the_wrong_side_is_refused_with_a_hint_at_the_view(faulty_front, front_photo):
    message = refused(*front_photo, faulty_front.design, replace(faulty_front.job, view="back"))
    assert "view" in message


def test_an_empty_frame_is_refused(faulty_front, front_photo):
    photo, reference = front_photo
    # Light everywhere in the opening: the frame alone on the lightbox.
    light = photo.light.copy()
    ring = np.array(reference.opening_mm.exterior.coords)[:-1]
    cv2.fillPoly(light, [np.round(project(reference.camera, ring)).astype(np.int32)], 0.8)
    empty = Photo(photo.path, light, photo.clipped, photo.display_bgr, photo.focal_px)
    assert "nothing dark" in refused(empty, reference, faulty_front.design, faulty_front.job)
