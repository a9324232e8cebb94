"""recut.svg as another reader sees it: xml.etree for the structure, svgelements for the geometry."""

import io
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Point, Polygon, box
from svgelements import SVG, Move, Path

from gapscan.cutting.svg_text import attribute
from gapscan.design.read import read_design
from gapscan.report.drawing import path_data, recut_svg
from tests.report.specimens import grid_inspection

SVG_NAMESPACE = "{http://www.w3.org/2000/svg}"


def read_back(text: str) -> dict[str, Polygon | MultiPolygon]:
    """Path ids to areas by the even-odd rule, in mm of the page."""
    # 25.4 pixels an inch make svgelements' pixels millimetres.
    drawing = SVG.parse(io.StringIO(text), ppi=25.4)
    found = {}
    for path in drawing.elements(lambda element: isinstance(element, Path)):
        area = Polygon()
        for sub in path.as_subpaths():
            corners = []
            for part in Path(sub):
                # a Move's start is the end of the subpath before it
                steps = [1.0] if isinstance(part, Move) else np.linspace(0.0, 1.0, 200)
                corners += [(float(place.x), float(place.y)) for place in map(part.point, steps)]
            area = area.symmetric_difference(Polygon(corners))
        found[str(path.id)] = area
    return found


def hausdorff(a, b) -> float:
    return shapely.hausdorff_distance(a.boundary, b.boundary, densify=0.05)


def test_reads_back_as_the_new_outlines(board):
    text = recut_svg(board)
    wanted = {d.id: d.new_outline for d in board.plan.decisions if d.verdict == "recut"}
    found = read_back(text)
    assert set(found) == set(wanted)
    for name, outline in wanted.items():
        # the vertices lie on the curve; its chords cut off up to 0.0055 mm of this specimen's hole
        assert shapely.distance(shapely.points(shapely.get_coordinates(outline)), found[name].boundary).max() <= 0.001
        assert hausdorff(found[name], outline) <= 0.006
    assert len(found["p01"].interiors) == 1
    assert found["p01"].area > board.design.piece("p01").polygon.area


def test_reads_back_as_a_design(tmp_path):
    board = grid_inspection(recut=1)  # two neighbours, both grown, would overlap
    place = tmp_path / "recut.svg"
    place.write_text(recut_svg(board), encoding="utf-8")
    found = {piece.id: piece.polygon for piece in read_design(place).pieces}
    wanted = {d.id: d.new_outline for d in board.plan.decisions if d.verdict == "recut"}
    assert set(found) == set(wanted)
    for name, outline in wanted.items():
        assert hausdorff(found[name], outline) <= 0.006


def test_curves_stay_curves(board):
    wanted = {d.id: d.new_outline for d in board.plan.decisions if d.verdict == "recut"}
    for path in ET.fromstring(recut_svg(board)):
        if wanted[path.get("id")].interiors:
            assert "C" in path.get("d")
            assert path.get("d").count(",") < shapely.get_num_coordinates(wanted[path.get("id")])


def test_structure_is_paths_only_at_the_size_of_the_design(board):
    root = ET.fromstring(recut_svg(board))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("100mm", "75mm", "0 0 100 75")
    assert [child.tag for child in root] == [SVG_NAMESPACE + "path"] * 2
    for path in root:
        data = path.get("d")
        assert data.count("Z") == data.count("M")
        assert path.get("fill-rule") == "evenodd"
        assert not list(path)


def test_names_survive_escaping(hostile):
    text = recut_svg(hostile)
    assert "<script" not in text
    wanted = sorted(d.id for d in hostile.plan.decisions if d.verdict == "recut")
    assert [path.get("id") for path in ET.fromstring(text)] == wanted


def test_control_characters_do_not_break_the_xml():
    assert ET.fromstring(f"<a b={attribute('x' + chr(0) + chr(27))}/>").get("b") == "x\ufffd\ufffd"


def test_nothing_to_recut_is_a_valid_drawing_without_paths():
    root = ET.fromstring(recut_svg(grid_inspection(recut=0)))
    assert root.tag == SVG_NAMESPACE + "svg"
    assert list(root) == []


@pytest.mark.parametrize(("move", "page"), [((40.0, 30.0), "0 0 140 105"), ((-10.0, -5.0), "-10 -5 100 75")])
def test_page_begins_at_the_origin_or_before_the_design(board, move, page):
    pieces = tuple(replace(p, polygon=translate(p.polygon, *move)) for p in board.design.pieces)
    moved = replace(board, design=replace(board.design, pieces=pieces))
    assert ET.fromstring(recut_svg(moved)).get("viewBox") == page


def test_a_piece_in_two_parts_stays_one_path(board):
    parts = MultiPolygon([box(0, 0, 10, 10), box(12, 0, 20, 10)])
    decisions = tuple(replace(d, new_outline=parts) if d.verdict == "recut" else d for d in board.plan.decisions)
    found = read_back(recut_svg(replace(board, plan=replace(board.plan, decisions=decisions))))
    assert isinstance(found["p01"], MultiPolygon)
    assert hausdorff(found["p01"], parts) < 1e-4


def test_few_nodes_within_the_tolerance():
    circle = Point(0, 0).buffer(20.0, quad_segs=2000)
    data = path_data(circle, simplify_mm=0.002)
    pairs = [pair.lstrip("ML").split(",") for pair in data.split() if "," in pair]
    nodes = np.array(pairs, dtype=float)
    assert len(nodes) < 400
    assert np.allclose(np.hypot(*nodes.T), 20.0, atol=1e-3)
    assert hausdorff(Polygon(nodes), circle) <= 0.002 + 1e-4
