"""What cannot be cut is left out of an outline, what needs care is said, and nothing is said of a sound one."""

import math

import numpy as np
import pytest
from shapely.geometry import MultiPolygon, Point, Polygon, box

from gapscan.cutting.slivers import sound_outline
from gapscan.recut.offset import MITRE_LIMIT, offset_outline


def soundly(drawn, offset, *, loss=0.06, press=0.02):
    new = offset_outline(drawn, offset)
    return sound_outline(drawn, new, offset_mm=offset, loss_mm=loss, press_mm=press, mitre_limit=MITRE_LIMIT)


def dumb_bell(waist):
    return box(0, 0, 10, 10).union(box(9, 5 - waist / 2, 21, 5 + waist / 2)).union(box(20, 0, 30, 10))


def test_a_plain_piece_is_left_alone():
    square = box(0, 0, 20, 10)
    found = soundly(square, 0.1)
    assert found.remarks == ()
    assert found.outline.equals(offset_outline(square, 0.1))


def test_a_slivered_off_part_is_left_out_and_the_rest_kept():
    new = MultiPolygon([box(0, 0, 10, 10), box(11, 0, 11.08, 10)])
    found = sound_outline(box(0, 0, 12, 10), new, offset_mm=-0.1, loss_mm=0.06, press_mm=0.02, mitre_limit=MITRE_LIMIT)
    assert found.outline.equals(box(0, 0, 10, 10))
    assert any("1 sliver narrower than the beam left out" in r for r in found.remarks)


def test_the_largest_part_stays_even_if_it_is_a_sliver():
    needle = box(0, 0, 30, 0.08)
    found = sound_outline(needle, needle, offset_mm=0.0, loss_mm=math.nan, press_mm=0.02, mitre_limit=MITRE_LIMIT)
    assert found.outline.equals(needle)


def test_a_piece_that_falls_apart_keeps_both_halves_and_says_so():
    found = soundly(dumb_bell(0.3), -0.2)
    assert isinstance(found.outline, MultiPolygon)
    assert any("falls into 2 parts" in r for r in found.remarks)


@pytest.mark.parametrize(("waist", "told"), [(0.45, True), (0.8, False)])
def test_a_neck_is_told_with_its_place(waist, told):
    found = soundly(dumb_bell(waist), -0.1)
    necks = [r for r in found.remarks if "neck" in r]
    assert bool(necks) == told
    if told:
        assert "near x 15.0, y 5.0 mm" in necks[0]


def test_tips_that_run_out_are_no_necks():
    leaf = Point(0, 0).buffer(20).intersection(Point(25, 0).buffer(20))
    assert not any("neck" in r for r in soundly(leaf, -0.05).remarks)


def test_an_opening_that_closes_is_told():
    drawn = Polygon(box(0, 0, 20, 20).exterior, [box(9, 9, 9.3, 11).exterior, box(3, 3, 8, 8).exterior])
    found = soundly(drawn, 0.2)
    assert len(found.outline.interiors) == 1
    assert any("1 opening too narrow to be cut closed" in r for r in found.remarks)


def test_an_opening_narrower_than_the_beam_is_filled():
    drawn = Polygon(box(0, 0, 20, 20).exterior, [box(9, 9, 9.3, 11).exterior])
    found = soundly(drawn, 0.11)
    assert len(offset_outline(drawn, 0.11).interiors) == 1
    assert len(found.outline.interiors) == 0


def test_inner_corners_by_the_beams_radius():
    """The wood that a round beam leaves: checked by moving a disc round the corner (erosion by shapely's buffer)."""
    r = 0.08
    piece = box(0, 0, 20, 20).difference(box(10, 10, 30, 30))
    found = soundly(piece, 0.05, loss=r)
    cut = found.outline.buffer(-r, quad_segs=64)  # where the beam's edge runs
    corner = np.array([10.05, 10.05])  # of the path
    ideal = corner - r * np.array([1.0, 1.0])
    standing = cut.exterior.distance(Point(ideal))
    assert standing == pytest.approx(r * (math.sqrt(2.0) - 1.0), abs=1e-4)
    assert any(f"wood up to {standing:.2f} mm high stays in 1 inner corner " in remark for remark in found.remarks)


@pytest.mark.parametrize("loss", [math.nan, -0.02, 0.03])
def test_inner_corners_are_not_told_where_loss_is_unknown_or_small(loss):
    piece = box(0, 0, 20, 20).difference(box(10, 10, 30, 30))
    assert not any("inner corner" in r for r in soundly(piece, 0.05, loss=loss).remarks)


def test_a_blunted_tip_is_told():
    tip = Polygon([(0, 0), (30, 2.0), (0, 4.0)])
    told = [r for r in soundly(tip, 0.15).remarks if "short of a full mitre" in r]
    half = math.atan2(2.0, 30.0)
    assert f"{0.15 * (1 / math.sin(half) - MITRE_LIMIT):.1f} mm" in told[0]
    assert not [r for r in soundly(tip, -0.15).remarks if "mitre" in r]
