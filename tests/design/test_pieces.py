"""Letting in, healing and the faults of overlapping drawings."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gapscan.design.heal import HEAL_MM, heal
from gapscan.design.pieces import build_pieces
from gapscan.errors import InputError

from .specimens import CHEQUER, T_JUNCTION, TOUCHING, box, cells, circle, design, outline


def areas(d):
    return {p.id: round(p.polygon.area, 3) for p in d.pieces}


def test_let_in_once_and_twice():
    d = design(box("ground", 0, 0, 40, 40), box("panel", 10, 10, 30, 30), box("dot", 15, 15, 20, 20))
    assert areas(d) == {"ground": 1200, "panel": 375, "dot": 25}
    assert {s.id for s in d.seams} == {"ground|panel", "dot|panel"}


def test_let_in_up_to_the_edge():
    d = design(box("ground", 0, 0, 40, 40), box("flush", 30, 10, 40, 20))
    assert areas(d) == {"ground": 1500, "flush": 100}
    assert d.notes == ()


def test_let_in_a_little_over_the_edge_is_healed():
    d = design(box("ground", 0, 0, 40, 40), box("flush", 30, 10, 40.03, 20))
    (seam,) = d.seams
    assert seam.id == "flush|ground"
    assert seam.length_mm == pytest.approx(30, abs=0.1)  # 10 + 10 + 10 within the tolerance
    assert shapely.coverage_is_valid([p.polygon for p in d.pieces])


def test_a_band_from_edge_to_edge_parts_the_ground():
    d = design(box("ground", 0, 0, 40, 40), box("band", 0, 10, 40, 14))
    assert areas(d) == {"band": 160, "ground-1": 400, "ground-2": 1040}
    assert "'ground' is cut into parts by what is let into it: ground-1, ground-2" in d.notes


@pytest.mark.parametrize(
    ("outlines", "words"),
    [
        ((box("a", 0, 0, 10, 10), box("b", 9, 0, 20, 10)),
         "pieces 'a' and 'b' overlap by 10.00 mm²; draw one inside the other or make them share a boundary"),
        ((box("a", 0, 0, 40, 10), box("b", 10, -5, 20, 15)),
         "pieces 'a' and 'b' overlap by 100.00 mm²; draw one inside the other or make them share a boundary"),
        ((box("a", 0, 0, 10, 10), box("b", 0, 0, 10, 10)),
         "pieces 'a' and 'b' are drawn on the same place; remove one"),
        ((box("a", 2, 2, 8, 8), box("b", 0, 0, 10, 10)),
         "piece 'a' is hidden under 'b', which is drawn later; move 'a' in front of 'b'"),
        ((box("a", 0, 0, 20, 10), box("b", 0, 0, 10, 10), box("c", 10, 0, 20, 10)),
         "nothing of piece 'a' is left under 'b', 'c'; remove it"),
        ((outline("a", [(0, 0), (5, np.nan), (5, 5)]),),
         "'a' has coordinates that are not finite numbers; draw it again"),
        ((outline("a", [(0, 0), (5, np.inf), (5, 5)]),),
         "'a' has coordinates that are not finite numbers; draw it again"),
        ((outline("a", [(0, 0), (9, 9), (9, 0), (0, 9)]),),
         "the outline of 'a' crosses itself; draw it without crossings"),
        ((), "no closed shapes found; every piece must be a closed path"),
    ],
)  # fmt: skip
def test_faults(outlines, words):
    with pytest.raises(InputError) as caught:
        build_pieces(outlines, source="board.svg")
    assert str(caught.value) == f"board.svg: {words}"


def test_overlap_limit_is_the_healing_tolerance():
    a = box("a", 0, 0, 10, 10)
    assert {s.id for s in design(a, box("b", 9.96, 0, 20, 10)).seams} == {"a|b"}
    with pytest.raises(InputError, match=r"overlap by 0\.60 mm²"):
        design(a, box("b", 9.94, 0, 20, 10))


def test_gap_limit_is_the_healing_tolerance():
    a = box("a", 0, 0, 10, 10)
    d = design(a, box("b", 10.04, 0, 20, 10))
    assert {s.id for s in d.seams} == {"a|b"}
    assert d.notes == ("2 small mismatches (largest 0.040 mm) healed",)
    assert design(a, box("b", 10.06, 0, 20, 10)).seams == ()


def test_a_negligible_crossing_is_mended():
    d = design(outline("a", [(0, 0), (10, 0), (10, 10), (5, 10), (4.98, 10.02), (5.02, 10.02), (4.9, 10), (0, 10)]))
    assert d.piece("a").polygon.is_valid
    assert d.piece("a").polygon.area == pytest.approx(100, abs=0.01)


def test_t_junction_shifted_by_gaps_and_overlaps():
    d = design(box("a", 0, 0, 10, 20), box("b", 10.03, 0, 20, 8.02), box("c", 9.98, 8, 20, 20))
    assert {s.id: round(s.length_mm) for s in d.seams} == {"a|b": 8, "a|c": 12, "b|c": 10}
    assert shapely.coverage_is_valid([p.polygon for p in d.pieces])


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5])
def test_a_disc_in_a_hole_with_other_vertices(phase):
    hole = circle("x", 20, 20, 8, n=64).rings[0]
    ground = box("ground", 0, 0, 40, 40)
    from gapscan.design.pieces import Outline

    d = design(Outline("ground", "", (*ground.rings, hole)), circle("disc", 20, 20, 8, n=90, phase=phase))
    (s,) = d.seams
    assert len(s.stretches) == 1
    assert s.stretches[0].closed
    # the later piece is the authority: the seam is the disc as drawn
    disc = shapely.Polygon(circle("disc", 20, 20, 8, n=90, phase=phase).rings[0])
    assert shapely.hausdorff_distance(d.piece("disc").polygon.exterior, disc.exterior) < 1e-5


def test_corners_away_from_the_mismatch_stay():
    comb = [
        (0, 0),
        (10, 0),
        (10, 10),
        *[(x, 10 + 0.2 * (k % 2)) for k, x in enumerate(np.linspace(9.9, 0.1, 99))],
        (0, 10),
    ]
    d = design(outline("a", comb), box("b", 10.03, 0, 20, 10))
    drawn = {tuple(np.round(p, 6)) for p in comb if p[0] < 9.9}
    kept = {tuple(p) for p in np.round(shapely.get_coordinates(d.piece("a").polygon), 6)}
    assert drawn <= kept


def test_a_sharp_tip_beside_a_long_edge_is_not_cut_back():
    # a 3° wedge: its far side lies within the tolerance of b's edge over the last millimetre
    tip = outline("a", [(0, 0), (20, 0), *[(x, -(20 - x) * np.tan(np.deg2rad(3))) for x in np.arange(19.8, 0, -0.2)]])
    d = design(tip, box("b", -5, 0, 25, 10))
    assert d.piece("a").polygon.area == pytest.approx(shapely.Polygon(tip.rings[0]).area, abs=0.002)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), jitter=st.floats(0.0, 0.017), count=st.integers(2, 14))
def test_jittered_cells_heal_to_the_same_net(seed, jitter, count):
    drawn = cells(count, seed=seed, size=30.0, steps=12)
    moved = cells(count, seed=seed, size=30.0, steps=12, jitter=jitter)
    # two sides moved by up to jitter * sqrt(2) each: at most 0.048 mm apart
    exact, healed = design(*drawn), design(*moved)
    polygons = [p.polygon for p in healed.pieces]
    assert shapely.coverage_is_valid(polygons)
    union = shapely.union_all(polygons)
    assert union.geom_type == "Polygon"
    assert len(union.interiors) == 0
    # matched by equal vertices: what is no seam lies on the outside
    outside = union.exterior.buffer(1e-6)
    assert all(outside.covers(shapely.LineString(s.points_mm)) for r in healed.rims for s in r.stretches)
    want = {s.id for s in exact.seams if s.length_mm > 0.6}
    assert want <= {s.id for s in healed.seams} | {s.id for s in exact.seams if s.length_mm <= 0.6}
    for piece, source in zip(healed.pieces, moved, strict=True):
        before = shapely.Polygon(source.rings[0])
        assert shapely.hausdorff_distance(piece.polygon.exterior, before.exterior) <= HEAL_MM + 1e-6


@settings(max_examples=40, deadline=None)
@given(
    dx=st.floats(-0.045, 0.045),
    dy=st.floats(-0.02, 0.02),
    which=st.sampled_from([TOUCHING, T_JUNCTION, CHEQUER]),
)
def test_one_piece_shifted(dx, dy, which):
    last = which[-1]
    shifted = outline(last.name, last.rings[0] + [dx, dy])
    d = design(*which[:-1], shifted)
    assert {s.id for s in d.seams} == {s.id for s in design(*which).seams}
    assert shapely.coverage_is_valid([p.polygon for p in d.pieces])


def test_exact_neighbours_are_left_alone():
    polygons = [shapely.Polygon(o.rings[0]) for o in CHEQUER]
    healed = heal(polygons)
    assert healed.moved == 0
    assert shapely.equals_exact(healed.polygons, polygons, normalize=True).all()
