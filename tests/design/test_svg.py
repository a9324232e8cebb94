"""What is read from an SVG: units, transforms, clones, names, clutter; numbers computed by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
import svgpathtools

from gapscan.design.flatten import CHORD_MM
from gapscan.design.svg import closed_rings_mm
from gapscan.errors import InputError

HIDDEN = "ignored hidden elements: 'x'"
RECT = '<rect id="a" x="10" y="20" width="30" height="40"/>'


def bounds(design, name="a"):
    return pytest.approx(design.piece(name).polygon.bounds, abs=2e-6)


# SVG 2, 8.2 and CSS Values 3, 6.2 (px = 1/96 in); the numbers follow by hand.
@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ('width="100mm" height="80mm" viewBox="0 0 100 80"', (10, 20, 40, 60)),
        ('width="200mm" height="160mm" viewBox="0 0 100 80"', (20, 40, 80, 120)),
        ('width="10cm" height="8cm" viewBox="0 0 100 80"', (10, 20, 40, 60)),
        ('width="4in" height="3.2in" viewBox="0 0 400 320"', (2.54, 5.08, 10.16, 15.24)),
        ('width="960px" height="960px" viewBox="0 0 96 96"', (26.458333, 52.916667, 105.833333, 158.75)),
        ('width="72pt" height="72pt" viewBox="0 0 72 72"', (3.527778, 7.055556, 14.111111, 21.166667)),
        ("", (2.645833, 5.291667, 10.583333, 15.875)),
        ('width="500" height="500"', (2.645833, 5.291667, 10.583333, 15.875)),
        ('width="100mm" height="80mm"', (2.645833, 5.291667, 10.583333, 15.875)),
        ('width="100%" height="100%" viewBox="0 0 96 96"', (2.645833, 5.291667, 10.583333, 15.875)),
        ('width="100mm" viewBox="0 0 100 80"', (10, 20, 40, 60)),
        ('height="160mm" viewBox="0 0 100 80"', (20, 40, 80, 120)),
        ('width="100mm" height="80mm" viewBox="10 20 100 80"', (0, 0, 30, 40)),
        # meet, centred: scale min(2, 1) = 1, 100 mm left over in x
        ('width="200mm" height="80mm" viewBox="0 0 100 80"', (60, 20, 90, 60)),
        ('width="200mm" height="80mm" viewBox="0 0 100 80" preserveAspectRatio="xMinYMin"', (10, 20, 40, 60)),
        (
            'width="200mm" height="80mm" viewBox="0 0 100 80" preserveAspectRatio="xMaxYMid"',
            (110, 20, 140, 60),
        ),
        ('width="200mm" height="80mm" viewBox="0 0 100 80" preserveAspectRatio="none"', (20, 20, 80, 60)),
        # slice: scale max = 2, height 160 centred in 80: shift -40
        (
            'width="200mm" height="80mm" viewBox="0 0 100 80" preserveAspectRatio="xMidYMid slice"',
            (20, 0, 80, 80),
        ),
    ],
)
def test_units(draw, size, expected):
    assert bounds(draw(RECT, size=size)) == expected


def test_millimetres_come_out_exactly(draw):
    assert draw(RECT).piece("a").polygon.bounds == (10.0, 20.0, 40.0, 60.0)


def test_units_inside_the_drawing(draw):
    # 1 cm = 37.7952756 px user units, of 1 mm each by the viewBox: a length unit is px-based, then scaled
    d = draw('<rect id="a" x="0" y="0" width="1cm" height="1in"/>')
    assert bounds(d) == (0, 0, 960 / 25.4, 96.0)
    assert bounds(draw('<rect id="a" width="50%" height="25%"/>')) == (0, 0, 50, 20)


def test_nested_transforms(draw):
    # (1..4, 2..6) scaled by (2, 1): (2..8, 2..6); turned by 90°, (x, y) -> (-y, x): (-6..-2, 2..8);
    # moved by 10 in x
    d = draw(
        '<g transform="translate(10,0) rotate(90)"><g transform="scale(2,1)">'
        '<rect id="a" x="1" y="2" width="3" height="4"/></g></g>'
    )
    assert bounds(d) == (4, 2, 8, 8)


@pytest.mark.parametrize(
    ("transform", "expected"),
    [
        ("matrix(1 0 0 2 5 6)", (15, 46, 45, 126)),
        ("translate(3)", (13, 20, 43, 60)),
        ("rotate(180 25 40)", (10, 20, 40, 60)),
        ("scale(0.5)", (5, 10, 20, 30)),
        ("skewX(45)", (30, 20, 100, 60)),
        ("skewY(45)", (10, 30, 40, 100)),
        ("translate(1,2),scale(2)", (21, 42, 81, 122)),
    ],
)
def test_transform_functions(draw, transform, expected):
    assert bounds(draw(RECT.replace("<rect", f'<rect transform="{transform}"'))) == expected


def test_use_of_a_shape_in_defs(draw):
    d = draw(
        '<defs><rect id="tile" width="10" height="10"/></defs>'
        '<use id="left" href="#tile" x="5" y="6"/>'
        '<use id="right" xlink:href="#tile" x="5" y="6" transform="translate(20,1) scale(2)"/>'
        '<use href="#tile" x="60"/><use href="#tile" x="80"/>'
    )
    assert [p.id for p in d.pieces] == ["left", "right", "tile-1", "tile-2"]
    assert bounds(d, "left") == (5, 6, 15, 16)
    assert bounds(d, "right") == (30, 13, 50, 33)
    assert bounds(d, "tile-2") == (80, 0, 90, 10)
    assert any("named by us" in n and "tile-1" in n for n in d.notes)


def test_use_of_a_drawn_shape_and_of_a_group(draw):
    d = draw(
        '<rect id="a" width="10" height="10"/><use id="b" href="#a" x="10"/>'
        '<g id="pair"><rect id="c" y="30" width="5" height="5"/>'
        '<rect id="d" y="40" width="5" height="5"/></g>'
        '<use id="again" href="#pair" x="50"/>'
    )
    assert [p.id for p in d.pieces] == ["a", "again-1", "again-2", "b", "c", "d"]
    assert bounds(d, "again-2") == (50, 40, 55, 45)


def test_symbol_and_nested_svg(draw):
    d = draw(
        '<symbol id="s" viewBox="0 0 10 10"><rect id="in" width="10" height="5"/></symbol>'
        '<use id="u" href="#s" x="50" y="20" width="20" height="20"/>'
        '<svg x="10" y="10" width="20" height="40" viewBox="0 0 10 10">'
        '<rect id="n" width="10" height="10"/></svg>'
    )
    assert [p.id for p in d.pieces] == ["n", "u"]
    assert bounds(d, "u") == (50, 20, 70, 30)
    assert bounds(d, "n") == (10, 20, 30, 40)  # meet: scale 2, 20 left over in y, centred


def test_basic_shapes(draw):
    d = draw(
        '<rect id="round" width="20" height="10" rx="3"/><circle id="circle" cx="40" cy="10" r="8"/>'
        '<ellipse id="ellipse" cx="70" cy="10" rx="12" ry="6"/><polygon id="gon" points="0,40 20,40 0,60"/>'
        '<polyline id="line" points="30,40 50,40 30,60 30,40"/>'
    )
    area = {p.id: p.polygon.area for p in d.pieces}
    # a polyline inside a circle of radius r with sagitta c loses less than 2/3 of c times the length
    loss = {"round": 6 * math.pi, "circle": 16 * math.pi, "ellipse": 24 * math.pi}
    full = {"round": 200 - (4 - math.pi) * 9, "circle": 64 * math.pi, "ellipse": 72 * math.pi}
    for name, whole in full.items():
        assert 0 <= whole - area[name] <= CHORD_MM * loss[name]
    assert area["gon"] == pytest.approx(200)
    assert area["line"] == pytest.approx(200)


@pytest.mark.parametrize(
    "d",
    [
        "M10 10 C 30 0 60 40 80 20 S 90 70 50 60 Q 20 75 10 50 T 10 10 Z",
        "M10,10 A 25 15 30 0 1 60 40 A 10 10 0 1 0 50 60 L 10 60 Z",
        "m10-0.5.5 30a20 9 -20 00 35 2l0-20h-8.5v-9z",
        "M 0 0 A 1 1 0 0 0 30 0 L 30 -40 Z",
    ],
)
def test_paths_against_svgpathtools(draw, d):
    ours = draw(f'<path id="a" d="{d}"/>').piece("a").polygon
    points = [s.point(t) for s in svgpathtools.parse_path(d) for t in np.linspace(0, 1, 501)]
    xy = np.array([[z.real, z.imag] for z in points])
    assert abs(ours.area - shapely.Polygon(xy).area) <= CHORD_MM * ours.length
    assert shapely.hausdorff_distance(ours.exterior, shapely.LinearRing(xy)) <= 2 * CHORD_MM
    assert ours.length == pytest.approx(shapely.LinearRing(xy).length, rel=1e-3)


def test_holes_and_parts(draw):
    d = draw(
        '<path id="ring" d="M0 0H30V30H0Z M10 10H20V20H10Z"/><path id="two" d="M40 0H50V10H40Z m20 0h10v10h-10z"/>'
    )
    assert [p.id for p in d.pieces] == ["ring", "two-1", "two-2"]
    assert d.piece("ring").polygon.area == pytest.approx(800)
    assert bounds(d, "two-2") == (60, 0, 70, 10)
    assert any("'two' as two-1, two-2" in n for n in d.notes)


def test_names_of_shapes_without_id(draw):
    d = draw(
        '<rect width="5" height="5"/><rect id="piece-2" x="20" width="5" height="5"/><circle cx="50" cy="9" r="4"/>'
    )
    assert [p.id for p in d.pieces] == ["piece-1", "piece-2", "piece-3"]
    assert bounds(d, "piece-3") == (46, 5, 54, 13)


@pytest.mark.parametrize(
    ("body", "note"),
    [
        ('<path id="x" d="M50 0 L60 0 L60 9"/>', "ignored open paths: 'x'"),
        ('<line id="x" x2="9" y2="9"/>', "ignored open paths: 'x'"),
        ('<text id="x">oak</text>', "ignored text elements: 'x'"),
        ('<image id="x" width="9" height="9" href="file:///etc/passwd"/>', "ignored image elements: 'x'"),
        ('<rect id="x" x="50" width="9" height="9" display="none"/>', HIDDEN),
        ('<rect id="x" x="50" width="9" height="9" style="fill:red; display : none"/>', HIDDEN),
        ('<g id="x" style="display:none"><rect id="y" x="50" width="9" height="9"/></g>', HIDDEN),
        ('<g visibility="hidden"><rect id="x" x="50" width="9" height="9"/></g>', HIDDEN),
        ('<style>.off{display:none}</style><rect id="x" class="off" x="50" width="9" height="9"/>',
         HIDDEN),
        ('<path id="x" d="M50 0 L60 0 Z"/>', "ignored shapes without area: 'x'"),
        ('<path id="x" d="M50 0 L60 0 L55 0 Z"/>', "ignored shapes without area: 'x'"),
        ('<rect id="x" width="0" height="9"/>', "ignored empty shapes: 'x'"),
        ('<use id="x" href="#nowhere"/>', "ignored clones of missing shapes: 'x'"),
    ],
)  # fmt: skip
def test_clutter_is_ignored_with_a_note(draw, body, note):
    d = draw(RECT + body)
    assert [p.id for p in d.pieces] == ["a"]
    assert note in d.notes


def test_visible_again_inside_a_hidden_group(draw):
    d = draw('<g visibility="hidden"><g><rect id="a" visibility="visible" width="9" height="9"/></g></g>')
    assert [p.id for p in d.pieces] == ["a"]


def test_closed_by_coinciding_ends(draw):
    d = draw('<path id="a" d="M0 0 L20 0 L20 20 L0 20 L0.02 0"/>')
    assert d.piece("a").polygon.area == pytest.approx(400, abs=0.3)


def test_a_subpath_straight_after_z_begins_where_the_last_one_did(draw):
    d = draw('<path id="a" d="M10 10 h20 v20 h-20 z l-10 0 l0 -10 z"/>')
    assert sorted(round(p.polygon.area) for p in d.pieces) == [50, 400]


def test_closed_rings_for_other_drawings(tmp_path: Path):
    path = tmp_path / "x.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10">'
        '<path d="M0 0H9V9H0Z M1 1H2V2H1Z"/></svg>'
    )
    rings = closed_rings_mm(path)
    assert [r.tolist() for r in rings] == [
        [[0, 0], [9, 0], [9, 9], [0, 9], [0, 0]], [[1, 1], [2, 1], [2, 2], [1, 2], [1, 1]]
    ]  # fmt: skip


FAULTS = {
    "two shapes of one id": (RECT + '<rect id="a" x="60" width="9" height="9"/>',
        "the id 'a' is given to two shapes; rename one of them"),
    "bow tie": ('<path id="bow" d="M0 0 L20 20 L20 0 L0 20 Z"/>',
        "the outline of 'bow' crosses itself; draw it without crossings"),
    "crossing subpaths": ('<path id="two" d="M0 0H20V20H0Z M10 10H30V30H10Z"/>',
        "the outline of 'two' crosses itself; draw it without crossings"),
    "no shapes": ("<g/>", "no closed shapes found; every piece must be a closed path"),
    "only open": ('<path id="x" d="M0 0 L9 9"/>',
        "no closed shapes found (ignored open paths: 'x'); every piece must be a closed path"),
    "bad number": ('<rect id="a" width="wide" height="9"/>',
        "rect 'a': cannot read the length 'wide'; use a number with mm, cm, in, pt, pc or px"),
    "relative unit": ('<rect id="a" width="2em" height="9"/>',
        "rect 'a': cannot read the length '2em'; use a number with mm, cm, in, pt, pc or px"),
    "not finite": ('<path id="a" d="M0 0 L1e400 5 L5 5 Z"/>',
        "path 'a' has coordinates that are not finite numbers; draw it again"),
    "overflow": ('<rect id="a" transform="scale(1e200) scale(1e200)" width="9" height="9"/>',
        "rect 'a' has coordinates that are not finite numbers; draw it again"),
    "nan in path": ('<path id="a" d="M0 0 L nan 5 Z"/>',
        "path 'a': its path data cannot be read; draw the path again or save the file as plain SVG"),
    "half a pair": ('<path id="a" d="M0 0 L5 5 L10"/>',
        "path 'a': its path data cannot be read; draw the path again or save the file as plain SVG"),
    "no move": ('<path id="a" d="10,10 L 5 5"/>',
        "path 'a': its path data cannot be read; draw the path again or save the file as plain SVG"),
    "odd points": ('<polygon id="a" points="0,0 9,0 9"/>',
        "polygon 'a': its list of points cannot be read; draw the shape again"),
    "misspelt transform": ('<rect id="a" transform="turn(3)" width="9" height="9"/>',
        "rect 'a': cannot read the transform 'turn(3)'; apply the transform in the drawing program"),
    "short matrix": ('<rect id="a" transform="matrix(1,0,0)" width="9" height="9"/>',
        "rect 'a': cannot read the transform 'matrix(1,0,0)'; apply the transform in the drawing program"),
    "other file": ('<use id="u" href="other.svg#a"/>',
        "use 'u' points to another file (other.svg#a); break the link so that the shape is here"),
    "self clone": ('<g id="g"><use id="u" href="#g"/></g>',
        "use 'u' clones itself by way of #g; break the link in the drawing program"),
    "tiny": ('<rect id="a" width="0.3" height="0.4"/>',
        "piece 'a' is only 0.4 mm across, less than 0.5 mm; check the units of the drawing, or "
        "remove that shape"),
    "huge": ('<rect id="a" width="4000" height="9"/>',
        "the drawing is 4000 mm across, more than 3000 mm; check its units (width and height in mm, and a "
        "viewBox to match)"),
    "bar in id": ('<rect id="a|b" width="9" height="9"/>',
        "the id 'a|b' holds a '|', which parts the two ids of a seam; rename it"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_in_the_drawing(draw, tmp_path, fault):
    body, words = FAULTS[fault]
    with pytest.raises(InputError) as caught:
        draw(body)
    assert str(caught.value) == f"{tmp_path / 'drawing.svg'}: {words}"


@pytest.mark.parametrize(
    ("size", "words"),
    [
        ('viewBox="0 0 9"', "cannot read viewBox '0 0 9'; it must be four numbers"),
        ('viewBox="0 0 0 9"', "viewBox '0 0 0 9' has no size; give it a width and height above 0"),
        ('width="-5mm"', "width of the drawing is '-5mm'; it must be more than 0"),
        (
            'width="5em"',
            "width of the drawing: cannot read the length '5em'; use a number with mm, cm, in, pt, pc or px",
        ),
    ],
)
def test_faults_in_the_size(draw, tmp_path, size, words):
    with pytest.raises(InputError) as caught:
        draw(RECT, size=size)
    assert str(caught.value) == f"{tmp_path / 'drawing.svg'}: {words}"


def test_clones_of_clones_do_not_run_away(draw):
    # each level doubles the last: 2^40 shapes if nobody counts
    body = '<defs><rect id="l0" width="9" height="9"/>' + "".join(
        f'<g id="l{k}"><use href="#l{k - 1}"/><use href="#l{k - 1}"/></g>' for k in range(1, 41)
    )
    with pytest.raises(InputError, match="draws more than 20000 shapes; remove clones and clutter"):
        draw(body + '</defs><use href="#l40"/>')


def test_deep_nesting(draw):
    with pytest.raises(InputError, match="groups are nested more than 200 deep; ungroup the drawing"):
        draw("<g>" * 500 + "</g>" * 500)
