"""The frame's drawing: written, re-saved as editors do, read back; and refused when it is not what was cut."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from gapscan.errors import InputError
from gapscan.photo.frame import frame_svg, read_frame
from gapscan.photo.layout import FrameLayout, frame_layout

PX_PER_MM = 96 / 25.4  # CSS Values and Units Level 3, 5.2: 1in = 96px = 25.4mm
OPENING = (200.0, 140.0)


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "frame.svg"
    path.write_text(text, encoding="utf-8")
    return path


def same(found: FrameLayout, wanted: FrameLayout) -> None:
    assert (found.width_mm, found.height_mm) == pytest.approx((wanted.width_mm, wanted.height_mm), abs=0.011)
    assert [m.number for m in found.markers] == [m.number for m in wanted.markers]
    np.testing.assert_allclose(found.dots_mm, wanted.dots_mm, atol=0.02)
    assert found.cell_mm == wanted.cell_mm


def path_of(text: str) -> str:
    """The path data of the card."""
    found = re.search(r'\bd="([^"]+)"', text)
    assert found
    return found.group(1)


def rings(text: str) -> list[np.ndarray]:
    """Rings of path data made of M, L and Z only, by a reader of our own."""
    parts = [part for part in path_of(text).split("Z") if part.strip()]
    return [np.array([[float(v) for v in p.split(",")] for p in re.findall(r"[-\d.]+,[-\d.]+", r)]) for r in parts]


def path_data(shapes: list[np.ndarray]) -> str:
    return " ".join("M " + " L ".join(f"{x:.5f} {y:.5f}" for x, y in ring) + " Z" for ring in shapes)


def size(text: str) -> tuple[float, float]:
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)
    assert found
    return float(found.group(1)), float(found.group(2))


def svg(width: str, height: str, box: str, body: str) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="{box}">{body}</svg>'


@pytest.mark.parametrize("opening", [(60.0, 60.0), OPENING, (80.0, 65.0), (70.5, 333.0), (600.0, 400.0)])
def test_what_is_written_is_read_back(tmp_path, opening):
    text = frame_svg(*opening)
    same(read_frame(written(tmp_path, text)), frame_layout(*opening))
    width, height = size(text)
    assert f'width="{width:g}mm" height="{height:g}mm"' in text


def test_only_closed_paths_are_drawn_and_no_ring_lies_in_another():
    """Even-odd: one outer ring, and holes beside each other; a ring in a hole would be an island that falls out."""
    text = frame_svg(*OPENING)
    drawn = re.findall(r"<(path|polygon|rect|circle|line|polyline|text|image|use)\b", text)
    assert set(drawn) == {"path"}
    commands = re.sub(r"[-\d.,\s]", "", path_of(text))
    assert set(commands) == set("MLZ")
    assert commands.count("M") == commands.count("Z")
    shapes = [shapely.Polygon(r) for r in rings(text)]
    outer, *holes = sorted(shapes, key=lambda p: -p.area)
    assert all(outer.contains(h) for h in holes)
    tree = shapely.STRtree(holes)
    meeting = tree.query(holes, predicate="intersects")
    assert (meeting[0] == meeting[1]).all()


def test_pixel_units(tmp_path):
    text = frame_svg(*OPENING)
    width, height = (v * PX_PER_MM for v in size(text))
    body = f'<path style="fill-rule:evenodd" d="{path_data([r * PX_PER_MM for r in rings(text)])}"/>'
    saved = svg(f"{width:.4f}", f"{height:.4f}", f"0 0 {width:.4f} {height:.4f}", body)
    same(read_frame(written(tmp_path, saved)), frame_layout(*OPENING))


def test_point_units(tmp_path):
    text = frame_svg(*OPENING)
    width, height = (v * 72 / 25.4 for v in size(text))  # CSS: 1pt = 1/72in
    body = f'<path d="{path_data([r * 72 / 25.4 for r in rings(text)])}"/>'
    saved = svg(f"{width:.4f}pt", f"{height:.4f}pt", f"0 0 {width:.4f} {height:.4f}", body)
    same(read_frame(written(tmp_path, saved)), frame_layout(*OPENING))


@pytest.mark.parametrize(
    "transform",
    [
        "translate(13.5,-7.25)",
        "translate(40 22) scale(1)",
        "matrix(1 0 0 1 -5 3)",
        "rotate(180 120 90)",
        "translate(300 0) rotate(180) translate(20 -100)",
    ],
)
def test_moved_in_an_editor(tmp_path, transform):
    text = frame_svg(*OPENING)
    body = f'<g id="layer1"><g transform="{transform}"><path d="{path_data(rings(text))}"/></g></g>'
    width, height = size(text)
    saved = svg(f"{width}mm", f"{height}mm", f"0 0 {width} {height}", body)
    same(read_frame(written(tmp_path, saved)), frame_layout(*OPENING))


def test_scaled_group_undone_by_the_view_box(tmp_path):
    text = frame_svg(*OPENING)
    width, height = size(text)
    body = f'<g transform="scale({PX_PER_MM})"><path d="{path_data(rings(text))}"/></g>'
    saved = svg(f"{width}mm", f"{height}mm", f"0 0 {width * PX_PER_MM} {height * PX_PER_MM}", body)
    same(read_frame(written(tmp_path, saved)), frame_layout(*OPENING))


def test_without_metadata_title_and_description(tmp_path):
    text = frame_svg(*OPENING)
    bare = re.sub(r"<(metadata|title|desc)>.*?</\1>", "", text, flags=re.DOTALL)
    assert "metadata" not in bare
    same(read_frame(written(tmp_path, bare)), frame_layout(*OPENING))


def test_one_path_a_ring_other_starting_points_other_direction_and_more_nodes(tmp_path):
    text = frame_svg(*OPENING)
    body = []
    for k, ring in enumerate(rings(text)):
        turned = np.roll(ring, -k % len(ring), axis=0)[:: 1 if k % 2 else -1]
        middle = (turned + np.roll(turned, -1, axis=0)) / 2
        dense = np.stack([turned, middle], axis=1).reshape(-1, 2)
        if k % 3:
            body.append(f'<path d="{path_data([dense])}"/>')
        else:
            body.append('<polygon points="' + " ".join(f"{x:.4f},{y:.4f}" for x, y in dense) + '"/>')
    width, height = size(text)
    saved = svg(f"{width}mm", f"{height}mm", f"0 0 {width} {height}", "".join(body[::-1]))
    same(read_frame(written(tmp_path, saved)), frame_layout(*OPENING))


def refused(tmp_path: Path, text: str) -> str:
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_frame(path)
    assert str(path) in str(caught.value)
    assert "gapscan frame" in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("factor", [0.98, 1.02])
@pytest.mark.parametrize("opening", [OPENING, (80.0, 65.0), (210.0, 140.0), (350.0, 245.0), (500.0, 400.0)])
def test_scaled_drawing_is_refused(tmp_path, opening, factor):
    """A page scaled to fit the printer. The card that was cut from the first file would be taken at a wrong scale."""
    text = frame_svg(*opening)
    width, height = size(text)
    scaled = text.replace(f'width="{width:g}mm"', f'width="{width * factor:.5f}mm"').replace(
        f'height="{height:g}mm"', f'height="{height * factor:.5f}mm"'
    )
    assert scaled != text
    message = refused(tmp_path, scaled)
    assert "scaled or edited" in message or "not a scale frame" in message


def edited(change) -> str:
    text = frame_svg(*OPENING)
    shapes = change(rings(text))
    width, height = size(text)
    return svg(f"{width}mm", f"{height}mm", f"0 0 {width} {height}", f'<path d="{path_data(shapes)}"/>')


def round_hole(shapes: list[np.ndarray]) -> int:
    """Index of a round reference hole."""
    wanted = frame_layout(*OPENING)
    middle = np.array(wanted.outer_mm) / 2 + wanted.dots_mm[5]
    return int(np.argmin([np.hypot(*(r.mean(axis=0) - middle)) for r in shapes]))


def moved_hole(shapes):
    k = round_hole(shapes)
    return [r + (0.5, 0.0) if i == k else r for i, r in enumerate(shapes)]


def dropped_hole(shapes):
    k = round_hole(shapes)
    return [r for i, r in enumerate(shapes) if i != k]


def wider_opening(shapes):
    area = [np.prod(r.max(axis=0) - r.min(axis=0)) for r in shapes]
    k = int(np.argsort(area)[-2])
    middle = shapes[k].mean(axis=0)
    return [r + np.sign(r - middle) * (1.0, 0.0) if i == k else r for i, r in enumerate(shapes)]


def narrower_card(shapes):
    area = [np.prod(r.max(axis=0) - r.min(axis=0)) for r in shapes]
    k = int(np.argmax(area))
    return [np.clip(r, 2.0, None) if i == k else r for i, r in enumerate(shapes)]


def test_an_unchanged_copy_passes(tmp_path):
    same(read_frame(written(tmp_path, edited(lambda shapes: shapes))), frame_layout(*OPENING))


@pytest.mark.parametrize("change", [moved_hole, dropped_hole, wider_opening, narrower_card])
def test_edited_drawing_is_refused(tmp_path, change):
    assert "scaled or edited" in refused(tmp_path, edited(change))


def test_another_drawing_is_refused(tmp_path):
    body = "".join(f'<rect id="p{i}" x="{30 * i}" y="0" width="30" height="80"/>' for i in range(4))
    assert "not a scale frame" in refused(tmp_path, svg("120mm", "80mm", "0 0 120 80", body))


def test_a_drawing_with_one_shape_is_refused(tmp_path):
    assert "not a scale frame" in refused(tmp_path, svg("9mm", "9mm", "0 0 9 9", '<circle cx="4" cy="4" r="3"/>'))


@pytest.mark.parametrize("text", ["", "not xml at all", "<svg xmlns='http://www.w3.org/2000/svg'>"])
def test_broken_files_are_refused(tmp_path, text):
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_frame(path)
    assert str(path) in str(caught.value)


def test_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="absent"):
        read_frame(tmp_path / "absent.svg")
