"""The scale frame's geometry: it must hold together when cut, and its markers must be the standard ones."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from gapscan.errors import InputError
from gapscan.photo.layout import FrameLayout, frame_layout

lengths = st.integers(120, 1200).map(lambda n: n / 2)
breadths = st.integers(120, 800).map(lambda n: n / 2)


@settings(max_examples=25, deadline=None)
@given(width=lengths, height=breadths, upright=st.booleans())
@example(width=60.0, height=60.0, upright=False)
@example(width=600.0, height=400.0, upright=False)
@example(width=600.0, height=60.0, upright=True)
def test_card_stays_in_one_piece(width, height, upright):
    layout = frame_layout(*((height, width) if upright else (width, height)))
    card = layout.card
    assert isinstance(card, Polygon)
    assert card.is_valid
    # A laser's kerf is 0.1 to 0.3 mm wide (common practice, no source); half of it comes off each edge. What falls
    # out of the card is a second part of the eroded polygon.
    for eroded_mm in (0.05, 0.15, 0.3):
        assert isinstance(card.buffer(-eroded_mm), Polygon), eroded_mm
    # Holes that touch would cut a point contact loose: even-odd filling needs them apart.
    holes = shapely.polygons(list(card.interiors))
    tree = shapely.STRtree(holes)
    near = tree.query(holes, predicate="dwithin", distance=0.05)
    assert (near[0] == near[1]).all()
    # The opening is clear, centred, and has the wanted size; nothing lies beyond the rim.
    assert not card.intersects(shapely.box(-layout.width_mm / 2, -layout.height_mm / 2, 0.0, 0.0).buffer(-1e-6))
    opening = max(holes, key=lambda h: h.area)
    np.testing.assert_allclose(
        opening.bounds,
        (-layout.width_mm / 2, -layout.height_mm / 2, layout.width_mm / 2, layout.height_mm / 2),
        atol=1e-9,
    )
    assert len(layout.dots_mm) >= 12
    # Every reference hole is a hole of its own, round and where the layout says.
    centres = np.array([h.centroid.coords[0] for h in holes])
    distance, index = shapely.STRtree(shapely.points(centres)).query_nearest(
        shapely.points(layout.dots_mm), return_distance=True
    )[::-1]
    assert distance.max() < 1e-6
    area = np.array([holes[k].area for k in index[1]])
    np.testing.assert_allclose(area, np.pi * layout.dot_radius_mm**2, rtol=0.005)


def test_no_marker_number_is_used_twice():
    for opening in ((60.0, 60.0), (200.0, 140.0), (600.0, 400.0)):
        numbers = [m.number for m in frame_layout(*opening).markers]
        assert len(set(numbers)) == len(numbers)


def test_the_same_opening_always_gives_the_same_layout():
    frame_layout.cache_clear()
    first = frame_layout(200.0, 140.0)
    frame_layout.cache_clear()
    again = frame_layout(200.0, 140.0)
    assert first is not again
    assert first.card.equals(again.card)
    assert [m.number for m in first.markers] == [m.number for m in again.markers]


@pytest.mark.parametrize(
    ("width", "height"),
    [(59.9, 100), (100, 59.9), (600.1, 100), (401, 401), (0, 0), (-80, 80), (float("nan"), 80), (float("inf"), 80)],
)
def test_openings_out_of_range_are_refused_with_the_range(width, height):
    with pytest.raises(InputError) as caught:
        frame_layout(width, height)
    assert "opening" in str(caught.value)
    assert "600x400" in str(caught.value) or "WIDTHxHEIGHT" in str(caught.value)


def drawn(layout: FrameLayout, px_per_mm: float) -> np.ndarray:
    """The card as a black-on-white picture, filled by OpenCV from the rings; 20 px of margin."""
    outer = np.array(layout.outer_mm)
    rings = [layout.card.exterior, *layout.card.interiors]
    points = [np.round(((np.asarray(r.coords) + outer / 2) * px_per_mm + 20) * 16).astype(np.int32) for r in rings]
    picture = np.full((round(outer[1] * px_per_mm) + 40, round(outer[0] * px_per_mm) + 40), 255, np.uint8)
    cv2.fillPoly(picture, points, 0, cv2.LINE_8, 4)
    return picture


Tags = dict[int, tuple[int, np.ndarray]]

_READ_TAGS = """
import json, sys, numpy, pupil_apriltags
detector = pupil_apriltags.Detector(families="tag25h9")
print(json.dumps([[[t.tag_id, t.hamming, t.corners.tolist()] for t in detector.detect(numpy.load(name))]
                  for name in sys.argv[1:]]))
"""


def read_tags(pictures: list[np.ndarray], folder: Path) -> list[Tags]:
    """Number -> (bits in error, corners (4, 2) px), read in a process of its own.

    Olson 2011, "AprilTag: A robust and flexible visual fiducial system", family 25h9, read by the authors' library
    (pupil-apriltags), not by OpenCV. The library can corrupt the heap of the process that it runs in.
    """
    names = [str(folder / f"{k}.npy") for k in range(len(pictures))]
    for name, picture in zip(names, pictures, strict=True):
        np.save(name, np.ascontiguousarray(picture))
    done = subprocess.run([sys.executable, "-c", _READ_TAGS, *names], capture_output=True, text=True, check=False)
    assert done.stdout, done.stderr
    return [{n: (wrong, np.array(corners)) for n, wrong, corners in tags} for tags in json.loads(done.stdout)]


def test_markers_are_read_by_an_independent_detector(tmp_path):
    layouts = [frame_layout(*o) for o in ((60.0, 60.0), (200.0, 140.0), (90.0, 250.0), (600.0, 400.0))]
    # Bridges (half a cell) are closed by a 0.7-cell closing of the light.
    closing = np.ones((11, 11), np.uint8)
    pictures = [cv2.morphologyEx(drawn(x, 16 / x.cell_mm), cv2.MORPH_CLOSE, closing) for x in layouts]
    for layout, tags in zip(layouts, read_tags(pictures, tmp_path), strict=True):
        assert sorted(tags) == sorted(m.number for m in layout.markers)
        for marker in layout.markers:
            wrong_bits, corners_px = tags[marker.number]
            assert wrong_bits == 0
            corners = (corners_px - 20) / (16 / layout.cell_mm) - np.array(layout.outer_mm) / 2
            # The two libraries count corners from different ones: compare as sets.
            apart = np.hypot(*(corners[:, None] - marker.corners_mm[None]).transpose(2, 0, 1)).min(axis=0)
            assert apart.max() < 0.25 * layout.cell_mm


def test_a_turned_marker_keeps_its_number_and_turns_its_corners(tmp_path):
    layout = frame_layout(60.0, 60.0)
    picture = cv2.morphologyEx(drawn(layout, 16 / layout.cell_mm), cv2.MORPH_CLOSE, np.ones((11, 11), np.uint8))
    upright, turned = read_tags([picture, np.rot90(picture)], tmp_path)
    assert upright.keys() == turned.keys()
    assert len(upright) == len(layout.markers)
    side = picture.shape[1] - 1
    for number, (_, corners) in upright.items():
        wanted = np.column_stack([corners[:, 1], side - corners[:, 0]])  # np.rot90: counter-clockwise on screen
        np.testing.assert_allclose(turned[number][1], wanted, atol=2.5)
