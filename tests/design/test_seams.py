"""Seams, rims and stations of named specimens against closed forms."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely

from gapscan.design.seams import find_seams, rim_stations, seam_stations
from gapscan.design.types import Stations

from .specimens import (
    CHEQUER,
    CORNER_ONLY,
    ISLAND,
    T_JUNCTION,
    TOUCHING,
    box,
    cells,
    circle,
    design,
    outline,
)


def lengths(d):
    return {s.id: round(s.length_mm, 6) for s in d.seams}


def seam(d, name):
    return next(s for s in d.seams if s.id == name)


def rim(d, name):
    return next(r for r in d.rims if r.piece == name)


def test_touching():
    d = design(*TOUCHING)
    assert lengths(d) == {"a|b": 10}
    assert {r.piece: r.length_mm for r in d.rims} == {"a": 30, "b": 30}
    st = seam_stations(d, d.seams[0])
    assert len(st) == 40
    np.testing.assert_allclose(st.normal, np.tile([1.0, 0.0], (40, 1)), atol=1e-12)
    np.testing.assert_allclose(st.s_mm, 0.125 + 0.25 * np.arange(40))
    np.testing.assert_allclose(st.xy_mm[:, 0], 10)
    np.testing.assert_allclose(st.junction_mm, np.minimum(st.s_mm, 10 - st.s_mm))
    np.testing.assert_allclose(st.curvature_per_mm, 0, atol=1e-12)


def test_normals_go_from_the_first_name_to_the_second_whatever_the_drawing_order():
    d = design(box("z", 0, 0, 10, 10), box("b", 10, 0, 20, 10))
    assert d.seams[0].pieces == ("b", "z")
    assert (seam_stations(d, d.seams[0]).normal @ [1, 0] < -0.999).all()


def test_t_junction():
    d = design(*T_JUNCTION)
    assert lengths(d) == {"a|b": 8, "a|c": 12, "b|c": 10}
    assert all(len(s.stretches) == 1 and not s.stretches[0].closed for s in d.seams)
    ends = {tuple(s.stretches[0].points_mm[k]) for s in d.seams for k in (0, -1)}
    assert (10.0, 8.0) in ends


def test_island():
    d = design(*ISLAND)
    s = seam(d, "ground|inlay")
    assert len(s.stretches) == 1
    assert s.stretches[0].closed
    np.testing.assert_array_equal(s.stretches[0].points_mm[0], s.stretches[0].points_mm[-1])
    assert s.length_mm == pytest.approx(2 * np.pi * 8, rel=1e-3)
    st = seam_stations(d, s)
    assert np.isinf(st.junction_mm).all()
    out = st.xy_mm - [20, 20]
    # first piece is the ground: normals point into the inlay, and the ground is concave there
    turn = np.arccos(np.clip(-(st.normal * out).sum(axis=1) / np.hypot(*out.T), -1, 1))
    assert np.rad2deg(turn).max() < 1.0
    np.testing.assert_allclose(st.curvature_per_mm, -1 / 8, rtol=0.01)
    assert {r.piece for r in d.rims} == {"ground"}


@pytest.mark.parametrize("radius", [2.0, 5.0, 20.0, 80.0])
def test_curvature_of_arcs(radius):
    d = design(box("w", -100, -100, 100, 100), circle("a", 0, 0, radius, phase=0.3))
    st = seam_stations(d, d.seams[0])
    np.testing.assert_allclose(st.curvature_per_mm, 1 / radius, rtol=0.02)


def test_straight_line_into_an_arc():
    # a slot end: straight 20 mm, half circle of 4 mm; bends only within the smoothing width of the change
    a = np.linspace(-np.pi / 2, np.pi / 2, 33)
    arc = np.stack([20 + 4 * np.cos(a), 4 * np.sin(a)], axis=1)
    d = design(box("w", -5, -20, 40, 20), outline("a", [(0, -4), *arc, (0, 4)]))
    st = seam_stations(d, seam(d, "a|w"))
    x = st.xy_mm[:, 0]
    flat = (x > 2) & (x < 19) & (np.abs(st.xy_mm[:, 1]) > 3.9)
    bent = x > 21
    assert flat.sum() > 100
    np.testing.assert_allclose(st.curvature_per_mm[flat], 0, atol=1e-9)
    np.testing.assert_allclose(st.curvature_per_mm[bent], 0.25, rtol=0.02)


def test_corners_within_a_stretch_count_as_ends():
    d = design(box("ground", 0, 0, 40, 40), box("tile", 10, 10, 20, 20))
    s = seam(d, "ground|tile")
    assert s.stretches[0].closed
    st = seam_stations(d, s)
    corners = np.array([[10, 10], [20, 10], [20, 20], [10, 20]])
    expected = np.abs(st.xy_mm[:, None] - corners).sum(axis=2).min(axis=1)
    np.testing.assert_allclose(st.junction_mm, expected, atol=1e-9)
    np.testing.assert_allclose(np.abs(st.normal).max(axis=1), 1, atol=1e-12)  # straight up to the corner
    np.testing.assert_allclose(st.curvature_per_mm, 0, atol=1e-12)


def test_a_30_degree_bend_is_no_corner_and_a_40_degree_bend_is():
    for bend, is_corner in ((30, False), (40, True)):
        x, y = 10 * np.cos(np.deg2rad(bend)), 10 * np.sin(np.deg2rad(bend))
        line = [(0, 0), (10, 0), (10 + x, y)]
        d = design(outline("a", [*line, (10, -12)]), outline("b", [*line, (10, 20)]))
        st = seam_stations(d, seam(d, "a|b"))
        middle = np.argmin(np.abs(st.s_mm - 10))
        assert (st.junction_mm[middle] < 1) == is_corner


def test_touching_at_a_corner_is_no_seam():
    d = design(*CORNER_ONLY)
    assert d.seams == ()
    assert {r.piece: round(r.length_mm, 9) for r in d.rims} == {"a": 40, "b": 40}


def test_chequer():
    d = design(*CHEQUER)
    assert lengths(d) == {"a|b": 9, "a|c": 9, "b|d": 9, "c|d": 9}


def test_a_pair_that_meets_twice_is_one_seam():
    # a U with its bar's gap filled by c: a and b meet left and right of c
    u = outline("a", [(0, 0), (30, 0), (30, 20), (0, 20)])
    d = design(u, box("b", 0, 20, 30, 30), box("c", 10, 15, 20, 20))
    s = seam(d, "a|b")
    assert len(s.stretches) == 2
    assert s.length_mm == pytest.approx(20)
    st = seam_stations(d, s)
    assert st.stretch.tolist() == [0] * 40 + [1] * 40
    assert (np.diff(st.s_mm) > 0).all()
    np.testing.assert_allclose(st.normal, np.tile([0.0, 1.0], (80, 1)), atol=1e-12)


def test_a_third_piece_touching_a_seam_at_a_point_parts_it():
    # c's tip touches the seam a|b from inside b, where b is cut to let it in
    d = design(box("a", 0, 0, 10, 20), box("b", 10, 0, 30, 20), outline("c", [(10, 10), (20, 6), (20, 14)]))
    s = seam(d, "a|b")
    assert [round(len_, 6) for len_ in sorted(x.points_mm[:, 1].min() for x in s.stretches)] == [0, 10]
    assert "a|c" not in lengths(d)


def test_stretches_under_0_3_mm_are_dropped():
    d = design(box("a", 0, 0, 10, 10), box("b", 10, 9.8, 20, 20))
    assert d.seams == ()
    d = design(box("a", 0, 0, 10, 10), box("b", 10, 9.6, 20, 20))
    assert lengths(d) == {"a|b": 0.4}


def test_arcs_sharing_a_boundary_in_opposite_directions(tmp_path):
    from gapscan.design.read import read_design

    path = tmp_path / "arcs.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="60mm" viewBox="0 0 60 60">'
        '<path id="left" d="M0 0 H20 A30 30 0 0 1 20 50 H0 Z"/>'
        '<path id="right" d="M60 0 V50 H20 A30 30 0 0 0 20 0 Z"/>'
        '<path id="below" d="M0 50 H20 C30 60 40 40 60 50 V60 H0 Z"/>'
        '<path id="wedge" d="M60 50 C40 40 30 60 20 50 Z" style="display:none"/></svg>'
    )
    with pytest.raises(Exception, match="overlap"):
        read_design(path)  # the wave of "below" runs into "right": a drawing error that must be told
    path.write_text(path.read_text().replace("V50 H20 A30", "V50 C40 40 30 60 20 50 A30"))
    d = read_design(path)
    assert lengths(d).keys() == {"below|left", "below|right", "left|right"}
    assert not any("healed" in n for n in d.notes)
    chord = 2 * 30 * np.arcsin(25 / 30)
    assert seam(d, "left|right").length_mm == pytest.approx(chord, rel=2e-4)


def test_rims_point_outwards():
    d = design(circle("a", 0, 0, 10))
    st = rim_stations(d, rim(d, "a"))
    out = st.xy_mm / np.hypot(*st.xy_mm.T)[:, None]
    assert ((st.normal * out).sum(axis=1) > 0.999).all()
    np.testing.assert_allclose(st.curvature_per_mm, 0.1, rtol=0.02)


def test_an_open_hole_is_a_rim():
    ring = outline("a", [(0, 0), (30, 0), (30, 30), (0, 30)])
    hole = np.array([(10, 10), (20, 10), (20, 20), (10, 20)], dtype=float)
    from gapscan.design.pieces import Outline

    d = design(Outline("a", "", (*ring.rings, hole)))
    assert len(rim(d, "a").stretches) == 2
    assert rim(d, "a").length_mm == pytest.approx(160)
    st = rim_stations(d, rim(d, "a"))
    inside = d.piece("a").polygon
    assert shapely.contains_xy(inside, *(st.xy_mm - 0.05 * st.normal).T).all()
    assert not shapely.contains_xy(inside, *(st.xy_mm + 0.05 * st.normal).T).any()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cells(seed):
    d = design(*cells(25, seed=seed))
    polygons = [p.polygon for p in d.pieces]
    assert shapely.coverage_is_valid(polygons)
    # every boundary is a seam or a rim: outlines add up to twice the seams and once the rims
    total = sum(s.length_mm for s in d.seams) * 2 + sum(r.length_mm for r in d.rims)
    assert total == pytest.approx(sum(p.length for p in polygons), abs=0.6)
    assert [s.id for s in d.seams] == sorted(s.id for s in d.seams)
    for s in d.seams:
        st = seam_stations(d, s)
        first, second = (d.piece(p).polygon for p in s.pieces)
        clear = st.junction_mm > 0.5
        assert shapely.contains_xy(second, *(st.xy_mm + 0.05 * st.normal)[clear].T).all()
        assert shapely.contains_xy(first, *(st.xy_mm - 0.05 * st.normal)[clear].T).all()
        np.testing.assert_allclose(np.hypot(*st.normal.T), 1)
        assert np.abs(st.curvature_per_mm).max() < 1.5


def test_spacing_and_empty():
    d = design(*TOUCHING)
    assert len(seam_stations(d, d.seams[0], spacing_mm=1.0)) == 10
    assert len(seam_stations(d, d.seams[0], spacing_mm=100.0)) == 1
    assert isinstance(seam_stations(d, d.seams[0]), Stations)
    assert find_seams(()) == ((), ())


def test_speed():
    d = design(*cells(60, seed=5, size=120.0, steps=60))
    start = time.perf_counter()
    count = sum(len(seam_stations(d, s)) for s in d.seams) + sum(len(rim_stations(d, r)) for r in d.rims)
    assert count > 6000
    assert time.perf_counter() - start < 2.0  # 0.1 s on an idle machine; loose, for shared ones
