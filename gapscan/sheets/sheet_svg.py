"""A sheet as SVG: what is cut in one group, what is only marked in another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely

from gapscan.cutting.svg_text import attribute, content, curve_data, short
from gapscan.sheets.layout import LABEL_MM, Placement, Sheet

SIGN_WIDTH = 0.62  # of a letter in heights: wide enough for common sans-serif faces
_INSIDE_MM = (1.2, 4.0)  # height of a name that stands inside its piece
_ARROW_MM = 6.0


@dataclass(frozen=True)
class Label:
    """A piece's name on the sheet: the middle of its base line, the height of its letters, whether on the piece."""

    text: str
    x_mm: float
    y_mm: float
    height_mm: float
    on_piece: bool


def sheet_svg(sheet: Sheet) -> str:
    """The SVG text, mm. Group ``cut`` holds one closed path a piece; group ``marks`` names, hints and grain arrows."""
    width, height = short(sheet.width_mm), short(sheet.height_mm)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}">',
        f"  <title>{content(sheet.name)}</title>",
        f"  <desc>{content(' '.join(hints(sheet)))}</desc>",
        '  <g id="cut" fill="none" fill-rule="evenodd" stroke="#000000" stroke-width="0.05">',
    ]
    for place in sheet.placements:
        lines.append(f'    <path id={attribute(place.part.id)} d="{curve_data(place.rings)}"/>')
    lines.append("  </g>")
    lines.append(
        '  <g id="marks" fill="#00796b" stroke="none" font-family="sans-serif" text-anchor="middle" '
        'aria-label="for marking, not for cutting">'
    )
    for place in sheet.placements:
        label = label_of(place)
        lines.append(
            f'    <text x="{short(label.x_mm)}" y="{short(label.y_mm)}" font-size="{short(label.height_mm / 0.72)}">'
            f"{content(label.text)}</text>"
        )
        arrow = grain_arrow(place)
        if arrow:
            points = " ".join(f"{short(x)},{short(y)}" for x, y in arrow)
            lines.append(f'    <polyline points="{points}" fill="none" stroke="#00796b" stroke-width="0.15"/>')
    lines += ["  </g>", "</svg>"]
    return "\n".join(lines) + "\n"


def hints(sheet: Sheet) -> tuple[str, ...]:
    """What a person must know who lays the veneer on the bed, in sentences."""
    down = sum(place.mirrored for place in sheet.placements)
    said = []
    if down == len(sheet.placements):
        said.append("All pieces are MIRRORED: lay the veneer with its show face down.")
    elif down:
        said.append(
            f"{down} of {len(sheet.placements)} pieces are MIRRORED, to be cut show face down (named with 'face down'); "
            "cut them from veneer laid show face down, the others from veneer laid show face up."
        )
    else:
        said.append("Nothing is mirrored: lay the veneer with its show face up.")
    if sheet.turned:
        said.append("Pieces are turned so that their grain runs from left to right.")
    elif any(place.grain_deg is not None for place in sheet.placements):
        said.append("Lay the grain of the veneer along the arrows.")
    said.append("The group (or layer) marks is for marking at low power, not for cutting.")
    return tuple(said)


def label_of(place: Placement) -> Label:
    """The name of a piece: on its back where that lies up and is large enough, else under it in the waste.

    Never on the show face, which a mark would spoil.
    """
    text = place.part.id + (" (face down)" if place.mirrored else "")
    left, _, right, bottom = place.box_mm
    wide = max(len(text), 1) * SIGN_WIDTH
    if place.mirrored:
        radius_line = shapely.maximum_inscribed_circle(place.outline, tolerance=0.1)
        radius = float(radius_line.length)
        # A box w by h about the middle of a circle of radius r fits when (w/2)² + (h/2)² is at most r².
        height = min(2.0 * 0.9 * radius / math.hypot(wide, 1.0), _INSIDE_MM[1])
        if height >= _INSIDE_MM[0]:
            x, y = radius_line.coords[0]
            return Label(text, float(x), float(y) + height / 2.0, height, True)
    height = min(LABEL_MM * 0.8, max((right - left + 2.0) / wide, 0.8))
    return Label(text, (left + right) / 2.0, bottom + height + 0.3, height, False)


def grain_arrow(place: Placement) -> tuple[tuple[float, float], ...]:
    """A small arrow with two heads in the waste under the piece, along its grain; empty where that is not told."""
    if place.grain_deg is None:
        return ()
    angle = math.radians(place.grain_deg)
    along = (math.cos(angle), math.sin(angle))
    left, _, _, bottom = place.box_mm
    half = min(_ARROW_MM, 2.0 * LABEL_MM) / 2.0 if abs(along[1]) < 0.2 else LABEL_MM / 2.0
    middle = (left + half, bottom + 0.3 + max(half * abs(along[1]), 0.5))

    def at(s: float, across: float) -> tuple[float, float]:
        return middle[0] + s * along[0] - across * along[1], middle[1] + s * along[1] + across * along[0]

    h = 0.35
    return (
        at(-half + h, h), at(-half, 0), at(-half + h, -h), at(-half, 0), at(half, 0), at(half - h, h), at(half, 0),
        at(half - h, -h),
    )  # fmt: skip
