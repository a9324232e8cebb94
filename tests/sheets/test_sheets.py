"""Sheets for the bed, as other readers see them: xml.etree and svgelements for SVG, ezdxf for DXF."""

import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.path import make_path
from shapely.affinity import affine_transform, translate
from shapely.geometry import Point, Polygon, box
from shapely.ops import polygonize, unary_union

from gapscan.cutting.curves import curved_rings
from gapscan.errors import InputError
from gapscan.job import parse_job
from gapscan.report.writers import write_outputs
from gapscan.sheets.layout import LABEL_MM, lay_out
from gapscan.sheets.parts import CutPart, read_parts
from gapscan.sheets.proof import proof_svg
from gapscan.sheets.sheet_dxf import recut_dxf, sheet_dxf
from gapscan.sheets.sheet_svg import hints, label_of, sheet_svg
from gapscan.sheets.writer import check_room, sheet_list, write_sheets
from tests.report.specimens import grid_inspection, recordable
from tests.report.test_drawing import hausdorff, read_back

SVG = "{http://www.w3.org/2000/svg}"


def part(name, outline, *, facing="up", material="", grain=None):
    return CutPart(name, curved_rings(outline), outline, outline.buffer(-0.1), facing, material, grain, 0.1, 0.004)


def hooked(size, at=(0.0, 0.0)):
    """A shape that is no other one turned or mirrored: a block with a round hole and a step."""
    block = box(0, 0, size, 0.6 * size).difference(Point(0.25 * size, 0.2 * size).buffer(0.1 * size, quad_segs=40))
    return translate(block.difference(box(0.8 * size, 0.4 * size, size, size)), *at)


@pytest.fixture
def some():
    return (
        part("a", hooked(40, (100, 50)), material="walnut", grain=0.0),
        part("b", hooked(25, (10, 80)), facing="down", material="walnut", grain=0.0),
        part("c", hooked(12, (60, 5)), material="holly"),
        part("d", hooked(30, (5, 5)), facing="down", material="pear/wood", grain=30.0),
        part("e", hooked(18, (150, 5)), facing="up", material="Walnut"),
    )


@pytest.mark.parametrize(("per", "names"), [
    ("all", {"sheet-all"}),
    ("material", {"sheet-walnut", "sheet-Walnut_2", "sheet-holly", "sheet-pear-wood"}),
    ("facing", {"sheet-face-up", "sheet-face-down"}),
])  # fmt: skip
def test_every_piece_once_and_one_file_each(some, per, names):
    sheets = lay_out(some, sheet_per=per, bed_mm=(300.0, 200.0), gap_mm=3.0)
    assert sorted(p.part.id for s in sheets for p in s.placements) == ["a", "b", "c", "d", "e"]
    found = {s.name for s in sheets}
    assert {n.casefold() for n in found} == {n.casefold() for n in names} or found == {
        "sheet-Walnut",
        "sheet-walnut_2",
        *(names - {"sheet-walnut", "sheet-Walnut_2"}),
    }
    assert len({n.casefold() for n in found}) == len(found)


def test_nothing_overlaps_and_all_lies_on_the_bed():
    rng = np.random.default_rng(5)
    parts = tuple(part(f"p{k:03d}", hooked(float(rng.uniform(6, 60)))) for k in range(80))
    gap = 2.5
    sheets = lay_out(parts, sheet_per="all", bed_mm=(200.0, 150.0), gap_mm=gap)
    assert len(sheets) > 1
    assert [s.name for s in sheets] == [f"sheet-all-{k}" for k in range(1, len(sheets) + 1)]
    assert sorted(p.part.id for s in sheets for p in s.placements) == [p.id for p in parts]
    for sheet in sheets:
        boxes = [box(*p.outline.bounds) for p in sheet.placements]
        room = box(gap, gap, 200.0 - gap, 150.0 - gap)
        assert all(room.buffer(1e-9).covers(one) for one in boxes)
        for k, one in enumerate(boxes):
            for other in boxes[k + 1 :]:
                assert one.distance(other) >= gap - 1e-9


def laid(sheets, name):
    return next(p for s in sheets for p in s.placements if p.part.id == name)


def test_face_down_is_mirrored_and_nothing_else_changed(some):
    some = [replace(one, grain_deg=None) for one in some]
    sheets = lay_out(some, sheet_per="facing", bed_mm=(300.0, 200.0), gap_mm=3.0)
    for one in some:
        place = laid(sheets, one.id)
        assert place.mirrored == (one.facing == "down")
        flipped = affine_transform(one.outline, [-1, 0, 0, 1, 0, 0]) if place.mirrored else one.outline
        dx, dy = (np.array(place.outline.bounds) - flipped.bounds)[:2]
        assert place.outline.equals_exact(translate(flipped, dx, dy), 1e-9)
        other = affine_transform(flipped, [-1, 0, 0, 1, 0, 0])
        back = translate(other, *(np.array(place.outline.bounds) - other.bounds)[:2])
        assert hausdorff(place.outline, back) > 1.0  # the specimen tells a mirrored one


def test_grain_is_kept_and_turned_only_where_one_sheet_holds_several(some):
    one_direction = lay_out(some[:2], sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)[0]
    assert not one_direction.turned
    several = lay_out((some[0], some[3]), sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)[0]
    assert several.turned
    assert [p.grain_deg for p in several.placements] == [0.0, 0.0]
    place = laid((several,), "d")
    # Grain at 30° (towards y) is at 150° seen from behind; a line drawn along it must lie along x on the sheet.
    stick = shapely.LineString([(0, 0), (np.cos(np.radians(30)), np.sin(np.radians(30)))])
    seen = affine_transform(stick, [-1, 0, 0, 1, 0, 0])
    angle = np.degrees(np.arctan2(*np.diff(shapely.get_coordinates(seen), axis=0)[0][::-1])) % 180
    assert angle == pytest.approx(150.0)
    assert place.outline.area == pytest.approx(some[3].outline.area)
    turned = shapely.affinity.rotate(affine_transform(some[3].outline, [-1, 0, 0, 1, 0, 0]), 30.0, origin=(0, 0))
    moved = translate(turned, *(np.array(place.outline.bounds) - turned.bounds)[:2])
    assert hausdorff(place.outline, moved) < 1e-6


def test_a_piece_larger_than_the_bed_is_refused(some):
    with pytest.raises(InputError, match=r"bed of 40x30 mm is too small for piece 'a', which takes 46\.0x32\.0 mm"):
        lay_out(some, sheet_per="all", bed_mm=(40.0, 30.0), gap_mm=3.0)


def test_svg_reads_back_and_marks_stand_apart(some):
    for sheet in lay_out(some, sheet_per="material", bed_mm=(300.0, 200.0), gap_mm=3.0):
        text = sheet_svg(sheet)
        root = ET.fromstring(text)
        assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("300mm", "200mm", "0 0 300 200")
        cut, marks = (root.find(f"{SVG}g[@id='{name}']") for name in ("cut", "marks"))
        assert {child.tag for child in cut} == {SVG + "path"}
        assert not marks.findall(f".//{SVG}path")
        assert len(marks.findall(f"{SVG}text")) == len(sheet.placements)
        found = read_back(text)
        assert set(found) == {p.part.id for p in sheet.placements}
        for place in sheet.placements:
            assert hausdorff(found[place.part.id], place.outline) < 0.01


def test_names_never_lie_on_a_show_face(some):
    for sheet in lay_out(some, sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0):
        for place in sheet.placements:
            label = label_of(place)
            assert label.on_piece <= place.mirrored
            if not label.on_piece:
                assert label.y_mm - label.height_mm >= place.box_mm[3]
                assert label.y_mm <= place.box_mm[3] + LABEL_MM
            else:
                half = len(label.text) * 0.62 * label.height_mm / 2
                words = box(label.x_mm - half, label.y_mm - label.height_mm, label.x_mm + half, label.y_mm)
                assert place.outline.covers(words)
    big = lay_out([part("x", hooked(60), facing="down")], sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)
    assert label_of(big[0].placements[0]).on_piece


def test_hints_say_what_is_mirrored(some):
    by_facing = {s.facing: s for s in lay_out(some, sheet_per="facing", bed_mm=(300.0, 200.0), gap_mm=3.0)}
    assert "All pieces are MIRRORED" in hints(by_facing["down"])[0]
    assert "Nothing is mirrored" in hints(by_facing["up"])[0]
    mixed = lay_out(some, sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)[0]
    assert hints(mixed)[0].startswith("2 of 5 pieces are MIRRORED")


def outlines_of(text, height):
    """Areas that the lines of layer CUT enclose, by ezdxf and shapely, in coordinates of the sheet."""
    document = ezdxf.read(io.StringIO(text))
    assert document.header["$INSUNITS"] == 4
    lines = []
    for entity in document.modelspace().query("*[layer=='CUT']"):
        points = np.array([(p.x, height - p.y) for p in make_path(entity).flattening(0.0005)]).round(5)
        lines.append(shapely.LineString(points))
    rings = list(polygonize(unary_union(lines)))
    return document, rings


def test_dxf_reads_back(some):
    sheet = lay_out(some, sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)[0]
    document, rings = outlines_of(sheet_dxf(sheet), 200.0)
    marks = document.modelspace().query("TEXT[layer=='MARKS']")
    assert sorted(t.dxf.text for t in marks) == sorted(label_of(p).text for p in sheet.placements)
    for place in sheet.placements:
        shells = [
            r for r in rings if Polygon(r.exterior).symmetric_difference(Polygon(place.outline.exterior)).area < 0.5
        ]
        assert len(shells) == 1
        assert hausdorff(Polygon(shells[0].exterior), Polygon(place.outline.exterior)) < 0.01
    assert not document.audit().has_errors


def test_recut_dxf_keeps_the_places_of_the_design(some):
    _, rings = outlines_of(recut_dxf(some), 0.0)
    for one in some:
        assert min(hausdorff(Polygon(r.exterior), Polygon(one.outline.exterior)) for r in rings) < 0.01


@pytest.fixture
def folder(tmp_path):
    job = parse_job(
        {"pieces": {"p01": {"facing": "down", "material": "walnut", "grain_deg": 20}, "p02": {"offset_mm": 0.05}}},
        source="job",
    )
    write_outputs(replace(recordable(grid_inspection()), job=job), tmp_path / "result")
    return tmp_path / "result"


def test_parts_come_from_the_folder(folder):
    first, second = read_parts(folder)
    wanted = {d.id: d.new_outline for d in grid_inspection().plan.decisions if d.new_outline is not None}
    assert (first.id, first.facing, first.material, first.grain_deg) == ("p01", "down", "walnut", 20.0)
    assert (first.change_mm, first.u_change_mm) == (0.085, 0.008)
    assert hausdorff(first.outline, wanted["p01"]) < 0.006
    assert second.before.bounds == pytest.approx((24.95, -0.05, 50.05, 25.05))


def test_a_drawing_that_is_not_the_records_is_refused(folder):
    text = (folder / "recut.svg").read_text(encoding="utf-8")
    (folder / "recut.svg").write_text(text.replace('id="p02"', 'id="p05"'), encoding="utf-8")
    with pytest.raises(InputError, match=r"recut\.svg: does not hold the pieces .*see p02, p05"):
        read_parts(folder)
    (folder / "recut.svg").unlink()
    with pytest.raises(InputError, match=r"recut\.svg: no such file"):
        read_parts(folder)


def test_proof_shows_every_piece_with_its_figure(some):
    root = ET.fromstring(proof_svg(some))
    texts = ["".join(t.itertext()) for t in root.iter(SVG + "text")]
    for one in some:
        assert one.id in texts
    assert sum("0.100 ± 0.004 mm larger" in t for t in texts) == 5
    assert sum("magnified" in t for t in texts) >= 10
    clips = [c.get("id") for c in root.iter(SVG + "clipPath")]
    assert len(set(clips)) == len(clips) == 10


def test_hostile_names_stay_text():
    bad = part('"><script>alert(1)</script>', hooked(20), material="../../etc")
    sheets = lay_out([bad], sheet_per="material", bed_mm=(100.0, 100.0), gap_mm=3.0)
    assert "/" not in sheets[0].name
    assert ".." not in sheets[0].name
    for text in (sheet_svg(sheets[0]), proof_svg([bad])):
        assert "<script" not in text
        ET.fromstring(text)


def test_the_folder_is_never_taken_over(some, tmp_path):
    sheets = lay_out(some, sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)
    out = tmp_path / "sheets"
    write_sheets({"sheet-all.svg": "one"}, sheets, out, force=False)
    assert json.loads((out / "sheets.json").read_text())["sheets"] == sheet_list(sheets)["sheets"]
    with pytest.raises(InputError, match="is there already"):
        write_sheets({"sheet-all.svg": "two"}, sheets, out, force=False)
    assert (out / "sheet-all.svg").read_text() == "one"
    write_sheets({"sheet-new.svg": "two"}, sheets, out, force=True)
    assert sorted(p.name for p in out.iterdir()) == ["sheet-new.svg", "sheets.json"]
    (out / "mine.txt").write_text("keep")
    with pytest.raises(InputError, match=r"holds mine\.txt"):
        write_sheets({"sheet-all.svg": "three"}, sheets, out, force=True)
    assert [p.name for p in tmp_path.iterdir()] == ["sheets"]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "sheets.json").write_text("[" * 100_000)
    with pytest.raises(InputError, match="are no sheets of this program"):
        check_room(tmp_path / "other", force=True)


def test_a_full_disk_leaves_the_old_sheets(some, tmp_path, monkeypatch):
    sheets = lay_out(some, sheet_per="all", bed_mm=(300.0, 200.0), gap_mm=3.0)
    out = tmp_path / "sheets"
    write_sheets({"sheet-all.svg": "one"}, sheets, out, force=False)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    for target in ("pathlib.Path.write_text", "gapscan.sheets.writer.os.replace"):
        with monkeypatch.context() as patch:

            def full(*_, **__):
                raise OSError(28, "No space left on device")

            patch.setattr(target, full)
            with pytest.raises(InputError, match="No space left on device"):
                write_sheets({"sheet-all.svg": "two"}, sheets, out, force=True)
        assert {p.name: p.read_bytes() for p in out.iterdir()} == before
        assert [p.name for p in tmp_path.iterdir()] == ["sheets"]
