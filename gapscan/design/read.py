"""A drawing file to a Design: the only place of this stage that touches the disk."""

from __future__ import annotations

from pathlib import Path

from gapscan.design.pieces import build_pieces
from gapscan.design.reading import Way, understand
from gapscan.design.seams import find_seams
from gapscan.design.strokes import refuse_strokes
from gapscan.design.types import Design
from gapscan.errors import InputError

MAX_BYTES = 50_000_000


def read_design(path: Path, *, units_per_inch: float = 96.0, way: Way = "auto") -> Design:
    """Read an SVG or DXF drawing: pieces in mm, their seams and rims, notes on what was ignored or mended.

    ``units_per_inch`` is what an SVG's px are where it gives no size in mm or inches. ``way`` reads the drawing as
    "shapes" or as "lines" whatever it looks like. Raises InputError with one sentence that names the file, the fault
    and the way out.
    """
    suffix = path.suffix.lower()
    if suffix not in (".svg", ".dxf"):
        raise InputError(f"{path}: a design must be an .svg or .dxf file; export the drawing as one of these")
    if not 1.0 <= units_per_inch <= 100_000.0:
        raise InputError(f"{path}: cannot be read at {units_per_inch:g} units per inch; give 96 or 72")
    raw = load_drawing(path)
    if suffix == ".svg":
        from gapscan.design.svg import read_svg

        drawn = read_svg(raw, source=str(path), px_mm=25.4 / units_per_inch)
    else:
        from gapscan.design.dxf import read_dxf

        drawn = read_dxf(raw, source=str(path))
    reading = understand(drawn, source=str(path), way=way)
    notes = (*drawn.notes, *reading.notes)
    if not reading.outlines:
        seen = f" ({'; '.join(notes)})" if notes else ""
        raise InputError(f"{path}: no closed shapes found{seen}; every piece must be a closed path")
    notes += tuple(refuse_strokes(reading.outlines, source=str(path)))
    pieces, more = build_pieces(reading.outlines, source=str(path))
    seams, rims = find_seams(pieces)
    return Design(str(path), pieces, seams, rims, (*notes, *more), reading=reading.how, units=drawn.units)


def load_drawing(path: Path) -> bytes:
    """The bytes of a drawing file. Raises InputError when it cannot be read, is empty or above 50 MB."""
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name the drawing file in it")
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except FileNotFoundError as err:
        raise InputError(f"{path}: no such file; check the path of the design") from err
    except OSError as err:
        raise InputError(f"{path}: cannot read the design ({err.strerror or err}); check the path") from err
    if len(raw) > MAX_BYTES:
        raise InputError(f"{path}: is larger than {MAX_BYTES // 1_000_000} MB; remove embedded images and save again")
    if not raw.strip():
        raise InputError(f"{path}: the file is empty; export the drawing again")
    return raw
