"""Our own drawings: shared boundaries, names, and the same understanding with and without a file."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely

from gapscan.design.read import read_design
from gapscan.simulate.designs import DESIGNS
from gapscan.simulate.picture import material_of, picture


@pytest.mark.parametrize("kind", DESIGNS)
def test_neighbours_share_their_boundary_exactly(kind: str) -> None:
    drawing = DESIGNS[kind](1)
    pieces = list(drawing.let_in().values())
    assert all(p.geom_type == "Polygon" and p.is_valid for p in pieces)
    assert shapely.coverage_is_valid(pieces)
    whole = shapely.union_all(pieces)
    assert whole.geom_type == "Polygon"
    assert len(whole.interiors) == 0
    assert whole.area == pytest.approx(sum(p.area for p in pieces), rel=1e-9)


@pytest.mark.parametrize("kind", DESIGNS)
def test_the_file_is_understood_as_the_drawing(kind: str, tmp_path: Path) -> None:
    drawing = DESIGNS[kind](2)
    path = tmp_path / "design.svg"
    path.write_text(drawing.svg, encoding="utf-8")
    read, made = read_design(path), drawing.design()
    assert [p.id for p in read.pieces] == [p.id for p in made.pieces]
    assert [s.id for s in read.seams] == [s.id for s in made.seams]
    for a, b in zip(read.seams, made.seams, strict=True):
        assert a.length_mm == pytest.approx(b.length_mm, abs=0.1)  # healing at slender tips


def test_same_seed_same_drawing() -> None:
    for draw in DESIGNS.values():
        assert draw(5).svg == draw(5).svg
    assert DESIGNS["cells"](5).svg != DESIGNS["cells"](6).svg


def test_the_picture_has_speaking_names_and_a_veneer_for_each() -> None:
    pieces = picture().let_in()
    assert len(pieces) >= 30
    assert {"bird-body", "bird-wing", "bird-head", "reed-03", "water-2", "sky-1", "sun", "hill-2"} <= set(pieces)
    assert {material_of(name) for name in pieces} == {"walnut", "pear", "holly", "maple", "cherry", "ash"}
    assert min(p.area for p in pieces.values()) >= 20.0


def test_inlays_are_drawn_on_one_ground() -> None:
    drawing = DESIGNS["inlays"](3)
    assert len(drawing.shapes["ground"].interiors) == 0
    assert len(drawing.let_in()["ground"].interiors) == len(drawing.shapes) - 1
    assert all(seam.stretches[0].closed for seam in drawing.design().seams)
