"""How a drawing is meant, and what becomes of lines, labels, layers and bad input."""

from __future__ import annotations

import itertools
import math
import time

import ezdxf
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gapscan.design.chain import sew
from gapscan.design.drawn import Line
from gapscan.design.materials import with_drawn_materials
from gapscan.design.network import enclose
from gapscan.design.read import read_design
from gapscan.errors import InputError
from gapscan.job import parse_job

TWO = '<rect id="a" width="30" height="40"/><rect id="b" x="30" width="30" height="40"/>'
FRAME = '<rect id="frame" width="60" height="40"/>'


def line(x1, y1, x2, y2, name="cut"):
    return f'<line id="{name}" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>'


# ---- closed shapes or lines -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "pieces"),
    [
        pytest.param(TWO + line(5, 5, 20, 30), "a b", id="a mark inside a piece"),
        pytest.param(TWO + line(-5, 20, 65, 20), "a b", id="a guide line across two pieces"),
        pytest.param(TWO + line(0, 20, 60, 20), "a b", id="a line from edge to edge over pieces side by side"),
        pytest.param(TWO + line(0, 10, 30, 30), "a b", id="a vein from edge to edge in one of two pieces"),
        pytest.param(TWO + line(30, 0.02, 30, 39.99), "a b", id="the shared border once more"),
        pytest.param(
            FRAME + '<circle id="c" cx="30" cy="20" r="9"/>' + line(-8, 20, 68, 20), "c frame",
            id="a centre line over an inlay",
        ),
        pytest.param(FRAME + line(70, 0, 70, 40), "frame", id="a line outside"),
        pytest.param(FRAME + line(0, 20, 40, 20), "frame", id="a line that ends in the open"),
    ],
)  # fmt: skip
def test_plain_closed_shapes_stay_closed_shapes(draw, body, pieces):
    design = draw(body)
    assert design.reading == "closed shapes"
    assert " ".join(p.id for p in design.pieces) == pieces
    assert any("'cut'" in note for note in design.notes)  # told, never silently dropped


@pytest.mark.parametrize(
    ("body", "areas"),
    [
        pytest.param(FRAME + line(0, 20, 60, 20), [1200, 1200], id="a frame and a dividing line"),
        pytest.param(FRAME + line(-0.5, 20, 60.5, 20), [1200, 1200], id="that stands over a little"),
        pytest.param(
            FRAME + line(20, 0, 20, 40, "p") + line(0, 10, 60, 10, "q"), [200, 400, 600, 1200], id="crossing lines"
        ),
        pytest.param(
            FRAME + '<rect id="in" x="20" y="10" width="20" height="20"/>'
            + line(0, 0, 20, 10, "p") + line(60, 40, 40, 30, "q"), [400, 1000, 1000], id="an inlay and spokes",
        ),
        pytest.param(
            '<path d="M0 0 H60 V40"/><path d="M60 40 H0 V0"/><path d="M30 0 V40"/>', [1200, 1200], id="open lines only"
        ),
        pytest.param(
            '<path d="M0 0 L50 0 L25 40"/><path d="M30 48 L0 0"/><path d="M10 20 L60 20" id="guide"/>',
            None, id="lines that cross and stand over",
        ),
    ],
)  # fmt: skip
def test_lines_that_divide_or_enclose_are_a_line_drawing(draw, body, areas):
    design = draw(body)
    assert design.reading == "line drawing"
    if areas:
        assert sorted(round(p.polygon.area) for p in design.pieces) == areas
    else:
        assert len(design.pieces) == 2


def test_a_loop_of_single_strokes_is_one_closed_shape(draw):
    body = "".join(
        line(*p, *q, f"s{k}") for k, (p, q) in enumerate(itertools.pairwise([(0, 0), (9, 0), (9, 9), (0, 0)]))
    )
    design = draw(body + '<circle cx="40" cy="9" r="5"/>')
    assert design.reading == "closed shapes"
    assert sorted(round(p.polygon.area, 1) for p in design.pieces) == [40.5, 78.5]  # 25 π less the chords


def test_crossing_circles_are_refused_unless_told_to_be_lines(draw, tmp_path):
    body = '<circle id="a" cx="40" cy="40" r="20"/><circle id="b" cx="60" cy="40" r="20"/>'
    with pytest.raises(InputError, match="pieces 'a' and 'b' overlap by"):
        draw(body)
    design = read_design(tmp_path / "drawing.svg", way="lines")
    # the lens of two circles of radius r at distance r: r² (2π/3 - √3/2)
    lens = 400 * (2 * math.pi / 3 - math.sqrt(3) / 2)
    rest = 400 * math.pi - lens
    assert sorted(p.polygon.area for p in design.pieces) == pytest.approx(sorted([lens, rest, rest]), abs=0.5)
    assert read_design(tmp_path / "drawing.svg", way="lines").reading == "line drawing"


def test_circles_in_two_arcs_each_that_cross_are_lines(draw):
    arcs = "".join(
        f'<path d="M{x - 20} 40 A20 20 0 0 {s} {x + 20} 40" id="h{x}{s}"/>' for x in (40, 60) for s in (0, 1)
    )
    design = draw(arcs)
    assert design.reading == "line drawing"
    assert len(design.pieces) == 3


def test_shapes_can_be_insisted_on(draw, tmp_path):
    draw(FRAME + line(0, 20, 60, 20))
    design = read_design(tmp_path / "drawing.svg", way="shapes")
    assert [p.id for p in design.pieces] == ["frame"]
    assert "ignored open paths: 'cut'" in design.notes


def test_the_window_of_a_closed_outline_is_no_piece(draw):
    design = draw(
        '<path id="mount" d="M0 0H60V40H0Z M25 15H35V25H25Z"/>' + line(0, 20, 25, 20, "p") + line(35, 20, 60, 20, "q")
    )
    assert design.reading == "line drawing"
    assert sorted(p.polygon.area for p in design.pieces) == pytest.approx([1150, 1150])
    assert "holes of closed outlines left open: 1" in design.notes


# ---- the net against Euler's formula ---------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 14), miss=st.floats(-0.004, 0.004))
def test_chords_of_a_circle_cut_as_many_faces_as_euler_says(seed, count, miss):
    """Chords with n ends apart and k crossings cut a disc into 1 + n + k faces (Euler's polyhedron formula)."""
    rng = np.random.default_rng(seed)
    place = np.sort(rng.choice(720, 2 * count, replace=False))
    order = rng.permutation(2 * count).reshape(-1, 2)
    disc = 100 * np.stack([np.cos(a := np.linspace(0, 2 * np.pi, 721)), np.sin(a)], axis=1)
    share = rng.uniform(0.2, 0.8, (2 * count, 1))  # off the vertices: chords of a regular polygon meet three by three
    ends = (1 - share) * disc[place] + share * disc[place + 1]
    chords = []
    for i, j in order:
        along = (ends[j] - ends[i]) / np.hypot(*(ends[j] - ends[i]))
        chords.append(np.array([ends[i] - miss * along, ends[j] + miss * along]))  # a little long or short
    # chord i-j crosses k-l where just one of k, l lies between i and j on the rim
    crossings = sum(
        (min(p) < q[0] < max(p)) != (min(p) < q[1] < max(p)) for p, q in itertools.combinations(order.tolist(), 2)
    )
    network = enclose([disc, *chords], source="disc", tolerance_mm=0.005)
    assert len(network.faces) + network.slivers == 1 + count + crossings
    whole = sum(face.area for face in network.faces)
    assert whole == pytest.approx(shapely.Polygon(disc).area, abs=0.05 * (1 + network.slivers))
    assert not network.loose


@pytest.mark.parametrize("miss", [0.02, 0.045])
def test_corners_of_open_lines_that_miss_each_other_come_out_where_the_lines_point(miss):
    # two sides end short of the corner by miss each; drawn on, they meet at (0, 0)
    sides = [[(miss, 0), (30, 0)], [(0, miss * 0.3), (0, 20)], [(0, 20), (30, 20)], [(30, 20), (30, 0)]]
    network = enclose([np.array(s, dtype=float) for s in sides], source="x")
    (face,) = network.faces
    assert face.exterior.distance(shapely.Point(0, 0)) < 1e-6


def test_sewing_joins_two_ends_never_three():
    def run(*points):
        return Line(np.array(points, dtype=float), "x")

    loops, rest = sew([run((0, 0), (9, 0)), run((9.03, 0), (9, 9)), run((0, 0.02), (9, 9))])
    assert len(loops) == 1
    assert not rest
    loops, rest = sew([run((0, 0), (9, 0)), run((9, 0), (9, 9)), run((0, 0), (9, 9)), run((9, 9), (20, 9))])
    assert not loops
    assert len(rest) == 4


# ---- names ------------------------------------------------------------------------------------------------------------


def text(x, y, words, more=""):
    return f'<text x="{x}" y="{y}" font-size="4" {more}>{words}</text>'


def test_labels_name_faces_through_transforms_and_alignments(draw):
    cuts = line(20, 0, 20, 40, "p") + line(40, 0, 40, 40, "q")
    design = draw(
        FRAME + cuts + f'<g transform="translate(50 20) rotate(90) scale(0.5)">{text(0, 0, "right", chr(32))}</g>'
        + text(19, 30, "left", 'text-anchor="end"')
        + '<text style="font-size:4px"><tspan x="22" y="20">mid</tspan><tspan x="22" y="25">dle</tspan></text>'
    )  # fmt: skip
    assert {p.id: p.polygon.bounds[0] for p in design.pieces} == {"left": 0, "mid dle": 20, "right": 40}


def test_labels_name_closed_shapes_without_id_only(draw):
    design = draw(TWO.replace('id="b" ', "") + text(10, 20, "A") + text(40, 20, "bee"))
    assert [p.id for p in design.pieces] == ["a", "bee"]
    assert "ignored text elements: (no id)" in design.notes


def test_one_label_in_two_faces_is_numbered_and_two_in_one_are_told(draw):
    design = draw(
        FRAME + line(20, 0, 20, 40, "p") + line(40, 0, 40, 40, "q") + text(2, 20, "oak") + text(45, 20, "oak")
        + text(22, 10, "elm") + text(22, 30, "ash") + text(80, 20, "title")
    )  # fmt: skip
    assert [p.id for p in design.pieces] == ["elm", "oak-1", "oak-2"]
    assert "one piece holds the labels 'elm', 'ash'; it is named after the first" in design.notes
    assert any("named by us" in n and "oak-1" in n for n in design.notes)
    design = draw(FRAME + line(20, 0, 20, 40, "p") + text(2, 10, "oak") + text(2, 30, "oak"))
    assert "the label 'oak' stands 2 times in one piece" in design.notes


@pytest.mark.parametrize("align", list(ezdxf.enums.TextEntityAlignment))
def test_texts_of_a_dxf_name_the_face_that_they_stand_in(tmp_path, align):
    document = ezdxf.new()
    document.header["$INSUNITS"] = 4
    space = document.modelspace()
    for p, q in [((0, 0), (60, 0)), ((60, 0), (60, 20)), ((60, 20), (0, 20)), ((0, 20), (0, 0)), ((30, 0), (30, 20))]:
        space.add_line(p, q)
    for x, words in ((15, "left"), (45, "right")):
        end = (x + 6, 10) if align.name in ("ALIGNED", "FIT") else None
        start = (x - 6, 10) if end else (x, 10)
        space.add_text(words, height=2).set_placement(start, end, align=align)
    path = tmp_path / "a.dxf"
    document.saveas(path)
    assert {p.id: p.polygon.bounds[0] for p in read_design(path).pieces} == {"left": 0, "right": 30}


def test_attributes_of_blocks_name_shapes_and_layer_0_takes_the_blocks_layer(tmp_path):
    document = ezdxf.new()
    document.header["$INSUNITS"] = 4
    block = document.blocks.new("tile")
    block.add_lwpolyline([(0, 0), (10, 0), (10, 10), (0, 10)], close=True)
    block.add_attdef("name", (3, 5), height=1)
    space = document.modelspace()
    for k, (name, layer) in enumerate((("north", "oak"), ("east", "oak"), ("south", "ash"))):
        reference = space.add_blockref("tile", (20 * k, 0), dxfattribs={"layer": layer, "xscale": (-1) ** k})
        reference.add_attrib("name", name, (20 * k + 3 * (-1) ** k, 5), dxfattribs={"height": 0.5})
    space.add_blockref("missing", (0, 0))
    path = tmp_path / "a.dxf"
    document.saveas(path)
    design = read_design(path)
    assert {p.id: p.material for p in design.pieces} == {"north": "oak", "east": "oak", "south": "ash"}
    assert design.piece("east").polygon.bounds == pytest.approx((10, -10, 20, 0))


def test_a_block_scaled_more_one_way_than_the_other(tmp_path):
    """A stadium of bulges becomes lines and elliptical arcs; an affine map scales its area by its determinant."""
    document = ezdxf.new()
    document.header["$INSUNITS"] = 4
    block = document.blocks.new("stadium")
    block.add_lwpolyline([(0, 0, 0), (50, 0, 1), (50, 20, 0), (0, 20, 1)], format="xyb", close=True)
    document.modelspace().add_blockref("stadium", (5, 5), dxfattribs={"xscale": -2, "yscale": 0.5, "rotation": 30})
    path = tmp_path / "a.dxf"
    document.saveas(path)
    (piece,) = read_design(path).pieces
    whole = 50 * 20 + math.pi * 100
    assert piece.polygon.area == pytest.approx(whole, abs=0.005 * piece.polygon.length)
    turn = np.deg2rad(30)
    at = 5 + np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ [-2 * 60, 0.5 * 10]
    assert piece.polygon.boundary.distance(shapely.Point(at[0], -at[1])) < 0.006  # the far end of an arc


def test_rows_of_blocks(tmp_path):
    document = ezdxf.new()
    document.header["$INSUNITS"] = 4
    document.blocks.new("tile").add_circle((0, 0), 3)
    document.modelspace().add_blockref(
        "tile", (0, 0), dxfattribs={"row_count": 2, "column_count": 3, "row_spacing": 10, "column_spacing": 20}
    )
    path = tmp_path / "a.dxf"
    document.saveas(path)
    centres = sorted(
        tuple(np.round(shapely.get_coordinates(p.polygon.centroid)[0], 6)) for p in read_design(path).pieces
    )
    assert centres == [(0, -10), (0, 0), (20, -10), (20, 0), (40, -10), (40, 0)]


# ---- materials --------------------------------------------------------------------------------------------------------


def test_the_jobs_pattern_has_the_last_word(draw):
    design = draw(
        f'<g data-material="oak">{TWO}</g><g data-material="elm"><rect id="c[1]" x="60" width="9" height="9"/></g>'
    )
    job = with_drawn_materials(parse_job({"pieces": {"b": {"material": "ash"}}}, source="job"), design)
    assert [job.settings(p.id).material for p in design.pieces] == ["oak", "ash", "elm"]
    # a pattern that tells something else leaves the drawing's material
    job = with_drawn_materials(parse_job({"pieces": {"*": {"facing": "down"}}}, source="job"), design)
    assert [job.settings(p.id).material for p in design.pieces] == ["oak", "oak", "elm"]


@pytest.mark.parametrize("group", ['id="board"', 'id="layer1"', 'id="g1043"', 'id="Layer 2"'])
def test_one_group_round_everything_is_no_material(draw, group):
    assert {p.material for p in draw(f"<g {group}>{TWO}</g>").pieces} == {""}


# ---- strokes turned into paths ------------------------------------------------------------------------------------------


def test_the_outline_of_a_stroke_is_no_piece(draw):
    ring = '<path id="ring" d="M0 0H40V40H0Z M0.3 0.3V39.7H39.7V0.3Z"/>'
    with pytest.raises(InputError, match=r"'ring' is a line 0\.30 mm wide round an opening, the outline of a stroke"):
        draw(ring)
    net = '<path id="net" d="M0 0H40V40H0Z M0.3 0.3V39.7H19.8V0.3Z M20.2 0.3H39.7V39.7H20.2Z"/>'
    with pytest.raises(InputError, match="'net' is a line"):
        draw(net)


def test_a_hairline_shape_is_told(draw):
    design = draw('<rect id="a" width="30" height="30"/><path id="thin" d="M0 10H30V10.3H0Z"/>')
    (note,) = [n for n in design.notes if "'thin'" in n and "wider" in n]
    assert note.startswith("nowhere wider than 0.5 mm: 'thin'; if these are strokes turned into paths")


def test_a_stringing_round_a_piece_is_one(draw):
    body = '<path id="string" d="M0 0H40V40H0Z M0.8 0.8V39.2H39.2V0.8Z"/>'
    body += '<rect id="in" x="0.8" y="0.8" width="38.4" height="38.4"/>'
    assert [p.id for p in draw(body).pieces] == ["in", "string"]
    halves = body[: body.index("<rect")] + "".join(
        f'<rect id="in{k}" x="{0.8 + 19.2 * k}" y="0.8" width="19.2" height="38.4"/>' for k in (0, 1)
    )
    assert [p.id for p in draw(halves).pieces] == ["in0", "in1", "string"]


# ---- bad input ----------------------------------------------------------------------------------------------------------


def refusal(draw, body, tmp_path):
    with pytest.raises(InputError) as caught:
        draw(body, size='width="1000mm" height="1000mm" viewBox="0 0 1000 1000"')
    words = str(caught.value)
    assert words.startswith(str(tmp_path / "drawing.svg"))
    assert "\n" not in words
    return words


def test_open_outlines_that_enclose_nothing(draw, tmp_path):
    body = '<path id="u" d="M0 0 V40 H40 V0.3"/><path id="lid" d="M0.2 0 H40"/>'
    words = refusal(draw, body, tmp_path)
    assert "no closed shapes found (ignored open paths: 'u', 'lid'; 4 line ends stop short" in words
    assert "0.20 mm at x 0.00, y 0.00" in words


def strokes(ends):
    return "".join(line(*(round(float(v), 3) for v in e), f"l{k}") for k, e in enumerate(ends))


def test_ten_thousand_lines_do_not_hang(draw, tmp_path):
    rng = np.random.default_rng(5)
    anywhere = rng.uniform(0, 1000, (10_000, 4))
    began = time.monotonic()
    assert "lines cross in about" in refusal(draw, strokes(anywhere), tmp_path)
    hatch = [(0, y, 999, y) for y in np.arange(10_000) * 0.09]
    assert "no closed shapes found" in refusal(draw, strokes(hatch), tmp_path)
    assert "faces, more than 5000" in refusal(draw, '<rect width="990" height="990"/>' + strokes(hatch), tmp_path)
    assert time.monotonic() - began < 120  # about 20 s on one slow core


def test_a_dxf_that_holds_itself(tmp_path):
    document = ezdxf.new()
    block = document.blocks.new("a")
    block.add_blockref("b", (0, 0))
    document.blocks.new("b").add_blockref("a", (0, 0))
    document.modelspace().add_blockref("a", (0, 0))
    path = tmp_path / "a.dxf"
    document.saveas(path)
    with pytest.raises(InputError, match=r"a\.dxf: "):
        read_design(path)
