"""A sheet, or the recut drawing, as DXF: layers CUT and MARKS, millimetres, y up."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING

from gapscan.cutting.rings import Line, PointMm, Ring
from gapscan.errors import InputError
from gapscan.sheets.layout import Sheet
from gapscan.sheets.parts import CutPart
from gapscan.sheets.sheet_svg import grain_arrow, label_of

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.enums import TextEntityAlignment

_MILLIMETRES = 4  # $INSUNITS


def sheet_dxf(sheet: Sheet) -> str:
    """The DXF text of one sheet. Raises InputError when ezdxf is not installed."""
    document = _document()
    model = document.modelspace()
    top = sheet.height_mm
    for place in sheet.placements:
        _rings(document, place.rings, top)
        label = label_of(place)
        text = model.add_text(label.text, height=label.height_mm, dxfattribs={"layer": "MARKS"})
        text.set_placement((label.x_mm, top - label.y_mm), align=_bottom_centre())
        arrow = grain_arrow(place)
        if arrow:
            model.add_lwpolyline([(x, top - y) for x, y in arrow], dxfattribs={"layer": "MARKS"})
    return _text(document)


def recut_dxf(parts: Iterable[CutPart]) -> str:
    """The recut drawing as DXF, every piece at its place in the design (y turned upward: y of DXF is -y of the SVG)."""
    document = _document()
    for part in parts:
        _rings(document, part.rings, 0.0)
    return _text(document)


def _document() -> Drawing:
    try:
        from ezdxf.filemanagement import new
    except ImportError as err:
        raise InputError("writing DXF needs the package ezdxf; install it with pip install 'gapscan[dxf]'") from err
    document = new("R2010", units=_MILLIMETRES)
    document.layers.add("CUT", color=7)
    document.layers.add("MARKS", color=4)
    return document


def _bottom_centre() -> TextEntityAlignment:
    from ezdxf.enums import TextEntityAlignment

    return TextEntityAlignment.BOTTOM_CENTER


def _rings(document: Drawing, rings: tuple[Ring, ...], top_mm: float) -> None:
    """Each ring: one closed polyline where it is straight throughout, else splines and polylines end to end."""
    from ezdxf.path import Path, render_lwpolylines, render_splines_and_polylines

    def up(point: PointMm) -> tuple[float, float]:
        return point[0], top_mm - point[1]

    model = document.modelspace()
    for ring in rings:
        path = Path(up(ring[0].start_mm))
        for segment in ring:
            if isinstance(segment, Line):
                path.line_to(up(segment.end_mm))
            else:
                path.curve4_to(up(segment.end_mm), up(segment.first_mm), up(segment.second_mm))
        path.close()
        render = render_splines_and_polylines if path.has_curves else render_lwpolylines
        render(model, [path], dxfattribs={"layer": "CUT"})


def _text(document: Drawing) -> str:
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue()
