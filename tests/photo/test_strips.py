"""The frame as joinable strips: nothing lost, nothing twice, every strip holds together."""

from __future__ import annotations

import pytest
import shapely

from gapscan.errors import InputError
from gapscan.photo.layout import frame_layout
from gapscan.photo.strips import frame_strip_sheets, frame_strips


@pytest.mark.parametrize(
    ("width", "height", "longest"), [(600, 400, 300), (200, 140, 150), (60, 60, 60), (300, 200, 120)]
)
def test_strips_make_the_card_again(width, height, longest):
    card = frame_layout(float(width), float(height)).card
    strips = frame_strips(frame_layout(float(width), float(height)), longest_mm=longest)
    together = shapely.union_all(strips)
    assert together.symmetric_difference(card).area < 1e-4
    assert sum(s.area for s in strips) == pytest.approx(card.area, abs=1e-4)  # no overlap
    for strip in strips:
        x0, y0, x1, y1 = strip.bounds
        assert max(x1 - x0, y1 - y0) <= longest
        assert strip.buffer(-0.15).geom_type == "Polygon"  # a kerf of 0.3 mm takes nothing apart


def test_no_hole_is_cut_by_a_joint():
    layout = frame_layout(200.0, 140.0)
    holes = sum(len(s.interiors) for s in frame_strips(layout, longest_mm=150))
    assert holes == len(layout.card.interiors) - 1  # all but the opening, which is no strip's


def test_sheets_hold_every_strip():
    sheets = frame_strip_sheets(200, 140, sheet_mm=(150, 100))
    assert len(sheets) >= 1
    assert all('width="150mm" height="100mm"' in sheet for sheet in sheets)


def test_a_sheet_too_small_is_refused():
    with pytest.raises(InputError, match="larger --strips size"):
        frame_strip_sheets(200, 140, sheet_mm=(30, 10))
