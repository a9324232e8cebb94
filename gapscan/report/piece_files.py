"""Files about a drawing that was read: a picture of its pieces, and a job file to fill in."""

from __future__ import annotations

import glob
import math
import os
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from xml.sax.saxutils import escape

import shapely
from shapely.geometry import Polygon

from gapscan.cutting.svg_text import attribute
from gapscan.design.types import Design
from gapscan.errors import InputError
from gapscan.report.drawing import path_data
from gapscan.report.labels import place_labels, shorten

PICTURE, JOB = "pieces.svg", "job.toml"
# Light tones that differ in lightness as well as hue; a pattern of names tells the rest.
_TONES = ("#e8dcc3", "#b9cfa0", "#c7a98b", "#a9c3d6", "#d8b4c4", "#d9d27e", "#b5aed2", "#9fc9bb")
_HEAD = """\
# Settings of one dry fit, to fill in. A line that begins with # is off; every key is optional.
# Made from {source}: {count} pieces, read as {reading}, {units}.

# tolerance_mm = 0.10       # accept a seam when its gap, averaged over any 3 mm of it, is at most this
# aim_mm = 0.03             # gap to leave at a recut seam
# press_mm = 0.02           # overlap that the veneer takes up without harm
# recut_facing = "any"      # "any"; "up", "down": only pieces of that facing; "one": whichever facing needs fewer
# view = "auto"             # "front": show face towards the camera; "back": mirrored; "auto": found out

# [sheet]
# thickness_mm = 0.6

# [cut]
# taper_deg = 2.0           # lean of one cut wall; the cut is wider where the beam enters

# One table a piece. Patterns such as [pieces."leaf-*"] set many at once; the last that matches wins.
# facing: how the show face lay on the laser bed, "up" (the beam enters it) or "down".
# offset_mm: outward offset that the piece was cut with. keep = true: never recut it.
"""
_PIECE = """
[pieces.{key}]             # {size}
{material}
# facing = "up"
# offset_mm = 0.00
# keep = false
"""


def write_piece_files(design: Design, out_dir: Path, *, job_too: bool) -> tuple[Path, ...]:
    """Write the picture and, if wanted, the job file into ``out_dir``: all or none. Returns what was written.

    A file that is there already and differs is never written over. Raises InputError saying so, or when the folder
    cannot be written.
    """
    texts = {PICTURE: pieces_svg(design)} | ({JOB: job_toml(design)} if job_too else {})
    if out_dir.exists() and not out_dir.is_dir():
        raise InputError(f"{out_dir}: is a file, not a folder; give --out another name")
    fresh = {name: text for name, text in texts.items() if not _stands(out_dir / name, text)}
    try:
        _put(fresh, out_dir)
    except FileExistsError as err:  # made by somebody else in the meantime
        raise InputError(f"{out_dir}: a file of that name was made meanwhile; give --out another folder") from err
    except OSError as err:
        raise InputError(
            f"{out_dir}: cannot write there ({err.strerror or err}); free space or give another --out"
        ) from err
    return tuple(out_dir / name for name in texts)


def _stands(path: Path, text: str) -> bool:
    """Whether just this file is there already. Raises InputError when another one is."""
    try:
        if not os.path.lexists(path):
            return False
        same = path.is_file() and path.read_bytes() == _bytes(text)
    except OSError as err:
        raise InputError(f"{path}: cannot be read ({err.strerror or err}); give --out another folder") from err
    if not same:
        raise InputError(
            f"{path}: is there already and may hold your changes; move it away or give --out another folder"
        )
    return True


def _put(texts: Mapping[str, str], out_dir: Path) -> None:
    """New files into a folder: made beside it, and linked into place only when all are there, none over another."""
    if not texts:
        return
    out_dir.parent.mkdir(parents=True, exist_ok=True)
    staging = out_dir.parent / f".{out_dir.name}-{secrets.token_hex(4)}"
    staging.mkdir()
    done: list[Path] = []
    try:
        for name, text in texts.items():
            (staging / name).write_bytes(_bytes(text))
        if not out_dir.exists():
            os.rename(staging, out_dir)
            return
        try:
            for name in texts:
                _link(staging / name, out_dir / name)
                done.append(out_dir / name)
        except OSError:
            for path in done:
                path.unlink(missing_ok=True)
            raise
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _link(made: Path, place: Path) -> None:
    """Into place by a second name: unlike a rename, this never replaces a file. Raises OSError."""
    try:
        os.link(made, place)
    except FileExistsError:
        raise
    except OSError:  # a file system without second names
        with place.open("xb") as file:
            file.write(made.read_bytes())


def _bytes(text: str) -> bytes:
    # half a surrogate pair, from a file name that is not UTF-8, becomes "?"
    return text.encode("utf-8", errors="replace")


def job_toml(design: Design) -> str:
    """A job file with a table for every piece and its material as drawn; everything else as remarks."""
    text = _HEAD.format(
        source=_remark(Path(design.source).name),
        count=len(design.pieces),
        reading=design.reading,
        units=_remark(design.units) or "millimetres",
    )
    for piece in design.pieces:
        left, top, right, bottom = piece.polygon.bounds
        text += _PIECE.format(
            key=_quoted(glob.escape(piece.id)),
            size=f"{right - left:.1f} x {bottom - top:.1f} mm",
            material=f"material = {_quoted(piece.material)}" if piece.material else '# material = "walnut"',
        )
    return text


def _quoted(text: str) -> str:
    """A TOML basic string: quotes, backslashes and control characters escaped (TOML 1.0, Strings)."""
    out = []
    for c in text:
        if c in '"\\':
            out.append("\\" + c)
        elif ord(c) < 0x20 or ord(c) == 0x7F:
            out.append(f"\\u{ord(c):04x}")
        else:
            out.append("\ufffd" if 0xD800 <= ord(c) < 0xE000 else c)
    return '"' + "".join(out) + '"'


def _remark(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def pieces_svg(design: Design) -> str:
    """A picture in mm of every piece with its name, toned by material."""
    boxes = [piece.polygon.bounds for piece in design.pieces]
    left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
    right, bottom = max(b[2] for b in boxes), max(b[3] for b in boxes)
    unit = max(right - left, bottom - top) / 100.0
    materials = sorted({piece.material for piece in design.pieces})
    tone = {m: _TONES[k % len(_TONES)] for k, m in enumerate(materials)}
    view = (left - unit, top - unit, right - left + 2 * unit, bottom - top + 2 * unit)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{view[2]:.3f}mm" height="{view[3]:.3f}mm" '
        f'viewBox="{" ".join(f"{v:.3f}" for v in view)}">',
        f"<title>{escape(shorten(Path(design.source).name, 80))}</title>",
        f'<g stroke="#333333" stroke-width="{0.15 * unit:.4f}" fill-rule="evenodd">',
    ]
    for piece in design.pieces:
        hint = shorten(piece.id + (f", {piece.material}" if piece.material else ""), 120)
        lines.append(
            f'<path fill="{tone[piece.material]}" data-piece={attribute(piece.id)} '
            f'd="{path_data(piece.polygon, simplify_mm=0.02 * unit)}"><title>{escape(hint)}</title></path>'
        )
    size = _letters(design, unit)
    texts = [shorten(piece.id, 16) for piece in design.pieces]
    anchors = [_roomiest(piece.polygon) for piece in design.pieces]
    plates = place_labels(
        anchors,
        [((0.62 * len(text) + 0.4) * size, 1.2 * size) for text in texts],
        bounds=(left, top, right, bottom),
        margin=0.1 * size,
    )
    lines += ["</g>", f'<g font-family="sans-serif" font-size="{size:.4f}" text-anchor="middle">']
    for text, (x, y), plate in zip(texts, anchors, plates, strict=True):
        mx, my = (plate[0] + plate[2]) / 2, (plate[1] + plate[3]) / 2
        if not (plate[0] <= x <= plate[2] and plate[1] <= y <= plate[3]):
            lines.append(
                f'<path d="M{x:.3f},{y:.3f} L{mx:.3f},{my:.3f}" stroke="#333333" stroke-width="{0.1 * unit:.4f}"/>'
            )
        lines.append(f'<text x="{mx:.3f}" y="{my + 0.35 * size:.3f}">{escape(text)}</text>')
    return "\n".join([*lines, "</g>", "</svg>"]) + "\n"


def _roomiest(polygon: Polygon) -> tuple[float, float]:
    """The middle of the largest circle in a piece, nearly: where its name has most room."""
    radius = shapely.maximum_inscribed_circle(polygon, tolerance=0.02 * math.sqrt(polygon.area))
    x, y = shapely.get_coordinates(radius)[0]
    return float(x), float(y)


def _letters(design: Design, unit: float) -> float:
    """Letters as large as the usual piece bears, at most 3 % of the picture."""
    areas = sorted(float(piece.polygon.area) for piece in design.pieces)
    return max(0.4 * unit, min(3.0 * unit, 0.25 * math.sqrt(areas[len(areas) // 2])))
