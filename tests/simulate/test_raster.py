"""Exact-area raster: closed forms only."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from gapscan.simulate.raster import coverage, coverage_in, window_of

STAR = Polygon([(0, 0), (9, 3), (14, -4), (13, 7), (21, 12), (11, 12), (7, 22), (5, 11), (-6, 9), (3, 6)])
RING = Point(0, 0).buffer(11, quad_segs=37).difference(Point(2.2, 1.1).buffer(6.3, quad_segs=23))


@pytest.mark.parametrize("shape", [STAR, RING], ids=["star", "ring"])
@pytest.mark.parametrize("angle", [0.0, 0.01, 13.7, 45.0, 90.0, 167.3])
@pytest.mark.parametrize("phase", [(0.0, 0.0), (0.5, 0.5), (0.123, 0.877)])
def test_coverage_sums_to_the_area(shape: Polygon, angle: float, phase: tuple[float, float]) -> None:
    placed = affinity.translate(affinity.rotate(shape, angle), 30 + phase[0], 31 + phase[1])
    got = coverage(placed, (64, 64)).sum(dtype=np.float64)
    assert got == pytest.approx(placed.area, rel=1e-6)


def test_each_pixel_is_the_area_of_the_overlap() -> None:
    placed = affinity.translate(affinity.rotate(STAR, 33.3), 12.37, 11.81)
    got = coverage(placed, (40, 40))
    pixels = [[box(u - 0.5, v - 0.5, u + 0.5, v + 0.5) for u in range(40)] for v in range(40)]
    wanted = [[placed.intersection(pixel).area for pixel in row] for row in pixels]
    np.testing.assert_allclose(got, wanted, atol=1e-6)


@pytest.mark.parametrize("move", [(-8.3, 4.2), (25.1, -7.7), (3.3, 27.4), (-5.0, -5.0), (90.0, 90.0)])
def test_parts_outside_the_picture_are_cut_off_exactly(move: tuple[float, float]) -> None:
    placed = affinity.translate(STAR, *move)
    inside = placed.intersection(box(-0.5, -0.5, 29.5, 24.5)).area
    assert coverage(placed, (25, 30)).sum(dtype=np.float64) == pytest.approx(inside, rel=1e-6, abs=1e-9)


def test_a_sliver_narrower_than_a_pixel_keeps_its_area() -> None:
    sliver = affinity.rotate(box(10, 10, 60, 10.004), 21.0)
    assert coverage(sliver, (70, 70)).sum(dtype=np.float64) == pytest.approx(0.2, rel=1e-5)


def test_window_gives_the_same_pixels_as_the_full_picture() -> None:
    both = MultiPolygon([affinity.translate(STAR, 40, 20), affinity.translate(STAR, 12.4, 50.2)])
    window = window_of(both, (90, 90))
    assert window is not None
    np.testing.assert_array_equal(coverage(both, (90, 90))[window.slices], coverage_in(both, window))


def test_pixel_centres_are_at_integers() -> None:
    got = coverage(box(2.5, 3.5, 4.5, 5.0), (9, 9))
    assert got[4, 3] == 1.0
    assert got[5, 3] == pytest.approx(0.5)
    assert got.sum() == pytest.approx(3.0)
