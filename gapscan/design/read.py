"""A drawing file to a Design: the only place of this stage that touches the disk."""

from __future__ import annotations

from pathlib import Path

from gapscan.design.pieces import build_pieces
from gapscan.design.seams import find_seams
from gapscan.design.types import Design
from gapscan.errors import InputError

MAX_BYTES = 50_000_000


def read_design(path: Path) -> Design:
    """Read an SVG or DXF drawing: pieces in mm, their seams and rims, notes on what was ignored or mended.

    Raises InputError with one sentence that names the file, the fault and the way out.
    """
    suffix = path.suffix.lower()
    if suffix not in (".svg", ".dxf"):
        raise InputError(f"{path}: a design must be an .svg or .dxf file; export the drawing as one of these")
    raw = load_drawing(path)
    if suffix == ".svg":
        from gapscan.design.svg import read_svg

        outlines, notes = read_svg(raw, source=str(path))
    else:
        from gapscan.design.dxf import read_dxf

        outlines, notes = read_dxf(raw, source=str(path))
    if not outlines:
        seen = f" ({'; '.join(notes)})" if notes else ""
        raise InputError(f"{path}: no closed shapes found{seen}; every piece must be a closed path")
    pieces, more = build_pieces(outlines, source=str(path))
    seams, rims = find_seams(pieces)
    return Design(source=str(path), pieces=pieces, seams=seams, rims=rims, notes=(*notes, *more))


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
