"""DXF drawings written by ezdxf and read back."""

from __future__ import annotations

import builtins
import math

import ezdxf
import pytest

from gapscan.design.flatten import CHORD_MM
from gapscan.design.read import read_design
from gapscan.errors import InputError


@pytest.fixture
def save(tmp_path):
    def save(fill, *, units=4):
        document = ezdxf.new("R2010")
        document.header["$INSUNITS"] = units
        fill(document.modelspace())
        path = tmp_path / "board.dxf"
        document.saveas(path)
        return path

    return save


def rectangle(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def test_shapes_names_and_direction(save):
    def fill(space):
        space.add_lwpolyline(rectangle(0, 10, 30, 40), close=True, dxfattribs={"layer": "upper"})
        space.add_polyline2d(rectangle(0, 0, 30, 10), close=True, dxfattribs={"layer": "lower"})
        space.add_circle((50, 10), 6, dxfattribs={"layer": "dots"})
        space.add_ellipse((80, 10), (8, 0), 0.5, dxfattribs={"layer": "dots"})
        space.add_line((0, 0), (5, 5), dxfattribs={"layer": "guide"})

    d = read_design(save(fill))
    assert [p.id for p in d.pieces] == ["lower", "piece-1", "piece-2", "upper"]
    assert d.piece("upper").polygon.bounds == (0, -40, 30, -10)  # y down: what is higher has the smaller y
    assert d.piece("lower").polygon.bounds == (0, -10, 30, 0)
    assert d.seams[0].id == "lower|upper"
    assert d.seams[0].length_mm == pytest.approx(30)
    assert d.piece("piece-1").polygon.area == pytest.approx(36 * math.pi, abs=CHORD_MM * 12 * math.pi)
    assert d.piece("piece-2").polygon.area == pytest.approx(32 * math.pi, abs=CHORD_MM * 16 * math.pi)
    assert "ignored entities that are not closed curves: LINE on 'guide'" in d.notes


def test_bulges(save):
    # a stadium: bulge 1 is a half circle, anticlockwise in DXF
    def fill(space):
        space.add_lwpolyline(
            [(0, 0, 0), (100, 0, 1), (100, 40, 0), (0, 40, 1)],
            format="xyb",
            close=True,
            dxfattribs={"layer": "a"},
        )

    polygon = read_design(save(fill)).piece("a").polygon
    assert polygon.bounds == pytest.approx((-20, -40, 120, 0), abs=CHORD_MM)
    assert polygon.area == pytest.approx(4000 + 400 * math.pi, abs=CHORD_MM * 40 * math.pi)


def test_a_quarter_bulge_bends_outwards_or_inwards(save):
    b = math.tan(math.pi / 8)  # quarter circle
    segment = 100 * (math.pi / 2 - 1) / 2  # of a circle of radius 10
    for sign in (1, -1):
        side = 10 * math.sqrt(2)

        def fill(space, sign=sign, side=side):
            space.add_lwpolyline([(0, 0, sign * b), (side, 0, 0), (side, 30, 0), (0, 30, 0)], format="xyb", close=True)

        (piece,) = read_design(save(fill)).pieces
        assert piece.polygon.area == pytest.approx(side * 30 + sign * segment, abs=0.1)


def test_closed_spline(save):
    def fill(space):
        spline = space.add_spline(dxfattribs={"layer": "a"})
        spline.set_closed([(0, 0, 0), (20, 0, 0), (20, 20, 0), (0, 20, 0)])

    polygon = read_design(save(fill)).piece("a").polygon
    # uniform cubic B-spline over a square of side 20: half-way between two corners it is (1, 23, 23, 1) / 48
    # of the four control points, 20 * 2 / 48 inside the side
    inset = 40 / 48
    assert polygon.bounds == pytest.approx((inset, inset - 20, 20 - inset, -inset), abs=CHORD_MM)
    assert polygon.is_valid


@pytest.mark.parametrize(("units", "factor"), [(0, 1.0), (1, 25.4), (4, 1.0), (5, 10.0)])
def test_units(save, units, factor):
    d = read_design(save(lambda s: s.add_lwpolyline(rectangle(0, 0, 3, 4), close=True), units=units))
    assert d.pieces[0].polygon.area == pytest.approx(12 * factor**2)
    assert ("no unit in the DXF file ($INSUNITS = 0): read as mm" in d.notes) == (units == 0)


def test_unknown_unit(save):
    path = save(lambda s: s.add_circle((0, 0), 5), units=20)
    with pytest.raises(InputError, match=r"\$INSUNITS is 20, a unit not known here; save the drawing in mm"):
        read_design(path)


def test_damaged(save):
    path = save(lambda s: s.add_circle((0, 0), 5))
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b" 40\n5.0", b" 40\nfive"))
    with pytest.raises(InputError, match=r"board\.dxf: not a readable DXF file; export the drawing again"):
        read_design(path)
    path.write_bytes(raw.replace(b"AcDb", b"\x00\xff"))
    words = r"board\.dxf: the DXF file is damaged \(Fixed unicode .*\); export it again"
    with pytest.raises(InputError, match=words):
        read_design(path)
    path.write_bytes(raw[: len(raw) // 3])
    with pytest.raises(InputError, match=r"board\.dxf: no closed shapes found \(no unit .*\)"):
        read_design(path)


def test_without_ezdxf(save, monkeypatch):
    path = save(lambda s: s.add_circle((0, 0), 5))
    real = builtins.__import__

    def missing(name, *args, **kwargs):
        if name.startswith("ezdxf"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(InputError) as caught:
        read_design(path)
    assert str(caught.value) == f'{path}: reading DXF needs one more package; run pip install "gapscan[dxf]"'
