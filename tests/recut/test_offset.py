"""Offsets against pyclipper, an independent clipping library (integer coordinates: 1 unit = 1 nm here)."""

import math

import numpy as np
import pyclipper
import pytest
import shapely
from shapely.geometry import MultiPolygon, Point, Polygon, box

from gapscan.errors import InputError
from gapscan.recut.offset import MITRE_LIMIT, offset_outline

UNIT = 1e6


def clipper_offset(polygon: Polygon, distance_mm: float, *, join=pyclipper.JT_MITER) -> Polygon:
    """The same offset by the other library, holes by orientation."""
    oriented = shapely.geometry.polygon.orient(polygon)
    tool = pyclipper.PyclipperOffset(miter_limit=MITRE_LIMIT, arc_tolerance=0.0001 * UNIT)
    for ring in (oriented.exterior, *oriented.interiors):
        corners = np.rint(np.asarray(ring.coords)[:-1] * UNIT).astype(np.int64).tolist()
        tool.AddPath(corners, join, pyclipper.ET_CLOSEDPOLYGON)
    area = Polygon()
    for ring in tool.Execute(distance_mm * UNIT):
        area = area.symmetric_difference(Polygon(np.array(ring) / UNIT))
    return area


def random_shape(seed: int) -> Polygon:
    """A smooth, partly concave outline of some 30 mm with a hole, flattened finely, as drawings are."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 15.0 + sum(rng.uniform(-1.5, 1.5) * np.cos(k * angle + rng.uniform(0, 2 * np.pi)) for k in range(2, 7))
    outer = Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    hole = Point(rng.uniform(-2, 2, 2)).buffer(3.0)
    return outer.difference(hole)


def random_angular_shape(seed: int) -> Polygon:
    """A star of straight edges; its corners are well blunter than the mitre limit."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9)) + np.linspace(0, 2.0, 9)
    angle = 2 * np.pi * (angle - angle[0]) / (angle[-1] - angle[0] + 0.6)
    radius = rng.uniform(14.0, 18.0, 9)
    return Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))


def test_rectangle_by_hand():
    # 40.3 × 30.3
    assert offset_outline(box(0, 0, 40, 30), 0.15).area == pytest.approx(1221.09, abs=1e-9)


def test_the_other_library_agrees_on_the_rectangle_both_ways():
    assert clipper_offset(box(0, 0, 40, 30), 0.15).area == pytest.approx(1221.09, abs=1e-6)
    # Round corners: 1200 + 140 × 0.15 + π 0.15² = 1221.07069, so a mitre is no round join in disguise.
    assert 1200 + 140 * 0.15 + math.pi * 0.15**2 == pytest.approx(1221.07069, abs=1e-5)
    rounded = clipper_offset(box(0, 0, 40, 30), 0.15, join=pyclipper.JT_ROUND)
    assert rounded.area == pytest.approx(1221.07069, abs=2e-4)


@pytest.mark.parametrize("distance", [0.03, 0.15, 0.4, -0.05, -0.2])
@pytest.mark.parametrize("shape", [random_shape, random_angular_shape])
@pytest.mark.parametrize("seed", range(4))
def test_random_shapes_against_the_other_library(shape, seed, distance):
    polygon = shape(seed)
    assert polygon.is_valid
    ours, theirs = offset_outline(polygon, distance), clipper_offset(polygon, distance)
    assert ours.area == pytest.approx(theirs.area, rel=2e-5)
    assert shapely.hausdorff_distance(ours.boundary, theirs.boundary) < 0.004


@pytest.mark.parametrize("distance", [0.1, -0.1])
def test_holes_go_the_other_way(distance):
    ring = box(0, 0, 20, 20).difference(box(5, 5, 15, 15))
    found = offset_outline(ring, distance)
    (hole,) = found.interiors
    assert Polygon(hole).area == pytest.approx((10 - 2 * distance) ** 2)
    assert Polygon(found.exterior).area == pytest.approx((20 + 2 * distance) ** 2)


def test_a_needle_tip_is_cut_off():
    needle = Polygon([(0, -0.5), (40, 0), (0, 0.5)])
    found = offset_outline(needle, 0.1)
    reach = found.bounds[2] - 40.0
    # an uncut mitre would reach 0.1 / sin(half angle) = 8 mm
    assert 0.0 < reach <= 0.25 + 1e-9


def test_shrinking_may_part_a_piece_at_its_neck():
    bells = box(0, 0, 10, 10).union(box(10, 4.95, 12, 5.05)).union(box(12, 0, 22, 10))
    found = offset_outline(bells, -0.1)
    assert isinstance(found, MultiPolygon)
    assert len(found.geoms) == 2


def test_zero_is_the_same_outline():
    shape = random_shape(1)
    assert offset_outline(shape, 0.0).equals(shape)


@pytest.mark.parametrize(("distance", "words"), [(-6.0, "leaves nothing"), (math.nan, "finite"), (math.inf, "finite")])
def test_impossible_offsets_are_refused(distance, words):
    with pytest.raises(InputError, match=words):
        offset_outline(box(0, 0, 10, 10), distance)
