"""Outlines as curves: near enough, few, closed, corners kept; against pyclipper, an independent offset library."""

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPolygon, Point, Polygon, box

from gapscan.cutting.curves import curved_rings, fine_outline
from gapscan.cutting.rings import Cubic, Line, flat_outline
from gapscan.design.flatten import flatten_cubic
from tests.benchmarks import offsets


def hausdorff(a, b):
    return shapely.hausdorff_distance(a.boundary, b.boundary, densify=0.02)


def test_a_circle_takes_few_cubics():
    """A circle by eight cubics is within 5e-6 of its radius (four: 2.7e-4; well known, from memory)."""
    rings = curved_rings(Point(0, 0).buffer(20.0, quad_segs=100))
    assert len(rings) == 1
    assert all(isinstance(one, Cubic) for one in rings[0])
    assert len(rings[0]) <= 12
    flat = shapely.get_coordinates(flat_outline(rings))
    assert np.abs(np.hypot(*flat.T) - 20.0).max() <= 0.002


def test_straight_edges_and_corners_stay():
    outline = box(0, 0, 30, 20).difference(box(10, 5, 20, 12))
    rings = curved_rings(outline)
    assert [len(ring) for ring in rings] == [4, 4]
    assert all(isinstance(one, Line) for ring in rings for one in ring)
    assert flat_outline(rings).equals(outline)


def test_rings_are_closed_and_end_to_end():
    for shape in offsets.shapes(12, seed=3):
        for ring in curved_rings(Polygon(shape.rings[0][:: 5 if len(shape.rings[0]) > 99 else 1])):
            for one, following in zip(ring, (*ring[1:], ring[0]), strict=True):
                assert one.end_mm == following.start_mm


def test_an_arc_between_straight_edges():
    slot = shapely.LineString([(0, 0), (20, 0)]).buffer(5.0, quad_segs=60)
    (ring,) = curved_rings(slot)
    assert sum(isinstance(one, Line) for one in ring) == 2
    assert 2 <= sum(isinstance(one, Cubic) for one in ring) <= 8
    assert hausdorff(flat_outline((ring,)), shapely.LineString([(0, 0), (20, 0)]).buffer(5.0, quad_segs=2000)) <= 0.0015


def test_parts_and_holes():
    parts = MultiPolygon([Point(0, 0).buffer(5).difference(Point(0, 0).buffer(2)), box(10, 0, 14, 4)])
    again = flat_outline(curved_rings(parts))
    assert isinstance(again, MultiPolygon)
    assert again.area == pytest.approx(parts.area, rel=1e-2)
    assert sorted(len(part.interiors) for part in again.geoms) == [0, 1]


def test_fine_outline_restores_a_drawn_curve():
    """A leaf of two cubics, cut into chords up to 0.005 mm off: the tip's angle comes back."""
    up = np.array([[0, 0], [8, -9], [22, -9], [30, 0.0]])
    down = np.array([[30, 0], [22, 7], [8, 7], [0, 0.0]])
    chords = np.concatenate([flatten_cubic(up, chord_mm=0.005), flatten_cubic(down, chord_mm=0.005)])
    exact = Polygon(np.concatenate([flatten_cubic(up, chord_mm=1e-6), flatten_cubic(down, chord_mm=1e-6)]))
    assert hausdorff(Polygon(chords), exact) > 0.003
    fine = fine_outline(Polygon(chords))
    assert hausdorff(fine, exact) < 0.0015
    moved, coarse, wanted = (
        one.buffer(0.25, join_style="mitre", mitre_limit=2.5) for one in (fine, Polygon(chords), exact)
    )
    assert hausdorff(moved, wanted) < 0.003 < hausdorff(coarse, wanted) / 2


def test_straight_outlines_are_not_touched():
    outline = box(0, 0, 5, 5)
    assert fine_outline(outline) is outline


def test_offsets_against_an_independent_library():
    """pyclipper on random shapes; the whole run of 500 is tests.benchmarks.offsets."""
    found = offsets.run(24)
    assert max(one.hausdorff_mm for one in found) <= 0.005
    assert max(one.mean_mm for one in found) <= 0.001
    assert all(one.sound for one in found)
    assert {one.kind for one in found} == set(offsets.KINDS)
    assert np.mean([one.nodes / one.vertices for one in found if one.kind != "polygon"]) < 0.2


def test_the_comparison_notices_a_wrong_offset(monkeypatch):
    right = offsets.offset_outline
    monkeypatch.setattr(offsets, "offset_outline", lambda area, mm: right(area, mm + math.copysign(0.006, mm)))
    assert min(one.hausdorff_mm for one in offsets.run(6)) > 0.0055
