"""One board, drawn in every style that people hand in, read to the same pieces.

The outlines compared with come from the curves' own formulas (one_board.py); the files from svgwrite, drawsvg, matplotlib
and ezdxf. The limit, 0.01 mm, is twice the reader's chord tolerance and far below what a laser repeats.
"""

from __future__ import annotations

import os
from functools import partial

import pytest
import shapely

from gapscan.design.read import read_design

from . import one_board as board

LIMIT_MM = 0.01
PX96, PX72 = 96 / 25.4, 72 / 25.4
SHAPES, LINES = "closed shapes", "line drawing"


def sized(unit, f, per_unit):
    """A closed-shape drawing whose page is given in this unit, ``f`` user units to the mm."""
    size = (f"{80 * per_unit:.9f}{unit}", f"{60 * per_unit:.9f}{unit}")
    return partial(board.svg_closed, size=size, box=f"0 0 {80 * f:.9f} {60 * f:.9f}", f=f)


def bare(f, unit=""):
    return partial(board.svg_closed, size=(f"{80 * f:.6f}{unit}", f"{60 * f:.6f}{unit}"), box=None, f=f)


# style -> (writer, how it must be read, whether the names must come out, arguments of the reader)
STYLES = {
    "closed shapes.svg": (board.svg_closed, SHAPES, True, {}),
    "stacked shapes.svg": (board.svg_stacked, SHAPES, True, {}),
    "line drawing with labels.svg": (board.svg_lines, LINES, True, {}),
    "line drawing.svg": (partial(board.svg_lines, labels=False), LINES, False, {}),
    "open lines, missed junctions.svg": (board.svg_lines_all_open, LINES, False, {}),
    "crossing lines.svg": (board.svg_crossing, LINES, False, {}),
    "single strokes, borders twice.svg": (board.svg_exploded, LINES, False, {}),
    "layers.svg": (board.svg_layers, SHAPES, True, {}),
    "groups with ids.svg": (partial(board.svg_layers, kind="id"), SHAPES, True, {}),
    "data-material.svg": (partial(board.svg_layers, kind="data"), SHAPES, True, {}),
    "clones in nested transforms, cm.svg": (board.svg_nested, SHAPES, True, {}),
    "px at 96.svg": (bare(PX96), SHAPES, True, {}),
    "px at 96 in words.svg": (bare(PX96, "px"), SHAPES, True, {}),
    "px at 72.svg": (bare(PX72), SHAPES, True, {"units_per_inch": 72}),
    "inches.svg": (sized("in", 1000 / 25.4, 1 / 25.4), SHAPES, True, {}),
    "pt.svg": (sized("pt", PX72, PX72), SHAPES, True, {}),
    "cm.svg": (sized("cm", 100.0, 0.1), SHAPES, True, {}),
    "plotter, pt.svg": (board.svg_by_plotter, LINES, True, {}),
    "another writer.svg": (board.svg_by_another_writer, LINES, True, {}),
    "closed polylines with bulges.dxf": (board.dxf_closed, SHAPES, True, {}),
    "old polylines.dxf": (partial(board.dxf_closed, old=True), SHAPES, True, {}),
    "lines, arcs, spline, texts.dxf": (board.dxf_lines, LINES, True, {}),
    "lines, arcs, spline in inches.dxf": (partial(board.dxf_lines, units=1, f=1 / 25.4), LINES, True, {}),
    "lines, arcs, spline in m.dxf": (partial(board.dxf_lines, units=6, f=0.001), LINES, True, {}),
    "loose lines, borders twice.dxf": (board.dxf_exploded, LINES, False, {}),
    "nested blocks.dxf": (board.dxf_blocks, SHAPES, False, {}),
    "cm.dxf": (partial(board.dxf_closed, units=5, f=0.1), SHAPES, True, {}),
    "no unit.dxf": (partial(board.dxf_closed, units=0), SHAPES, True, {}),
}
NEEDS = {"plotter, pt.svg": "matplotlib", "another writer.svg": "drawsvg"}


def matched(design):
    """Name of each true piece -> (the piece read at its place, how far their boundaries lie apart, mm)."""
    found = {}
    left = list(design.pieces)
    for name, polygon in board.truth().items():
        best = max(left, key=lambda p: shapely.area(p.polygon.intersection(polygon)) / p.polygon.union(polygon).area)
        left.remove(best)
        # symmetric: the true outline has a vertex every 0.01 mm, so that the middles of chords count too
        found[name] = best, shapely.hausdorff_distance(best.polygon.boundary, polygon.boundary)
    assert not left
    return found


def read_style(style, folder):
    writer, _, _, arguments = STYLES[style]
    path = folder / style
    writer(path)
    return read_design(path, **arguments)


@pytest.mark.parametrize("style", STYLES)
def test_the_same_pieces_in_every_style(style, tmp_path):
    if style in NEEDS:
        pytest.importorskip(NEEDS[style])
    _, reading, keeps_names, _ = STYLES[style]
    design = read_style(style, tmp_path)
    assert design.reading == reading
    found = matched(design)
    assert max(apart for _, apart in found.values()) <= LIMIT_MM
    if keeps_names:
        assert {name: piece.id for name, (piece, _) in found.items()} == {name: name for name in board.NAMES}
    assert len(design.seams) == 5
    assert shapely.coverage_is_valid([p.polygon for p in design.pieces])
    if os.environ.get("GAPSCAN_SHOW"):
        print(f"\n{style:40s} {max(apart for _, apart in found.values()):.4f} mm")


def test_pieces_without_names_are_numbered_in_reading_order(tmp_path):
    # rows by the middles of the boxes: disc at y 22 and left at 30 and upper at 19 stand in one row, lower and oval below
    by_place = {n: p.id for n, (p, _) in matched(read_style("line drawing.svg", tmp_path)).items()}
    assert by_place == {"disc": "piece-1", "left": "piece-2", "upper": "piece-3", "lower": "piece-4", "oval": "piece-5"}


@pytest.mark.parametrize("style", ["layers.svg", "groups with ids.svg", "data-material.svg"])
def test_layers_are_materials(style, tmp_path):
    assert {p.id: p.material for p in read_style(style, tmp_path).pieces} == board.MATERIAL


def test_layers_of_a_dxf_are_materials_where_several_pieces_share_one(tmp_path):
    path = tmp_path / "a.dxf"
    board.dxf_closed(path, layer=board.MATERIAL.get)
    found = matched(read_design(path))
    assert {name: piece.material for name, (piece, _) in found.items()} == board.MATERIAL
    # a piece alone on its layer is named after it, and is of it
    assert found["upper"][0].id == "cherry"
    board.dxf_closed(path)
    assert {p.material for p in read_design(path).pieces} == {""}


def test_small_gaps_and_overlaps_are_healed_and_move_nothing_else(tmp_path):
    path = tmp_path / "a.svg"
    board.svg_gaps(path, by=0.02)
    found = matched(read_design(path))
    # each piece was moved by 0.02 mm, and takes on its neighbour's side, which was moved by as much
    assert max(apart for _, apart in found.values()) <= 2 * 0.02 + LIMIT_MM
    assert len(read_design(path).seams) == 5


def test_what_the_lines_did_not_enclose_is_told(tmp_path):
    design = read_style("open lines, missed junctions.svg", tmp_path)
    assert "ignored loose ends, which bound no face: 'doodle' (8.71 mm)" in design.notes
    assert "3 line ends that missed another line by up to 0.05 mm drawn on to it" in design.notes


def test_a_junction_missed_by_more_is_not_closed_but_told(tmp_path):
    path = tmp_path / "a.svg"
    board.svg_lines_all_open(path, under=0.08)
    design = read_design(path)
    assert [p.id for p in design.pieces] == ["piece-1", "piece-2", "piece-3"]  # the board, its disc and its oval
    (note,) = [n for n in design.notes if "stop short" in n]
    assert note.startswith("3 line ends stop short of the next line by more than 0.05 mm: 0.0")


@pytest.mark.parametrize(
    ("style", "words"),
    [
        ("closed shapes.svg", "size of the page in mm"),
        ("px at 96.svg", "px at 96 to the inch"),
        ("px at 72.svg", "px at 72 to the inch"),
        ("inches.svg", "size of the page in inches"),
        ("cm.dxf", "drawn in cm"),
        ("no unit.dxf", "no unit given, taken as mm"),
    ],
)
def test_units_are_told(style, words, tmp_path):
    assert read_style(style, tmp_path).units == words


def test_72_to_the_inch_changes_nothing_where_the_page_has_a_size(tmp_path):
    board.svg_closed(tmp_path / "a.svg")
    one, other = (read_design(tmp_path / "a.svg", units_per_inch=n) for n in (96, 72))
    assert [p.polygon for p in one.pieces] == [p.polygon for p in other.pieces]
