"""The strip below the overlay: colour scale with the tolerance marked, and what the other strokes mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gapscan.report.gap_colours import gap_colours

if TYPE_CHECKING:
    from PIL.Image import Image

_Rgb = tuple[int, int, int]
_SUPERSAMPLE = 2
_GROUND: _Rgb = (18, 18, 18)
_INK: _Rgb = (240, 240, 240)


def draw_legend(
    size_px: tuple[int, int],
    *,
    tolerance_mm: float,
    top_mm: float,
    beyond: bool,
    recut_rgb: _Rgb,
    unseen_rgb: tuple[_Rgb, _Rgb],
) -> Image:
    """RGB strip of ``size_px``; ``beyond`` says that gaps wider than ``top_mm`` share the last colour."""
    from PIL import Image, ImageDraw, ImageFont

    width, height = size_px[0] * _SUPERSAMPLE, max(1, size_px[1]) * _SUPERSAMPLE
    strip = Image.new("RGB", (width, height), _GROUND)
    draw = ImageDraw.Draw(strip)
    font_px = max(8.0, min(0.25 * height, 0.026 * width))
    font = ImageFont.load_default(font_px)
    left, bar_px = 0.03 * width, 0.5 * width
    top, bottom = 0.16 * height, 0.42 * height

    columns = np.arange(max(2, round(bar_px)))
    row = gap_colours(columns / (columns.size - 1) * top_mm, top_mm=top_mm)
    bar = np.repeat(row[None], max(1, round(bottom - top)), axis=0)
    strip.paste(Image.fromarray(bar), (round(left), round(top)))

    unit = 0.004 * width
    last = f"{top_mm:.2f} mm or more" if beyond else f"{top_mm:.2f} mm"
    middle = f"tolerance {tolerance_mm:.2f}"
    for value, text, anchor in ((0.0, "gap 0", "la"), (tolerance_mm, middle, "ma"), (top_mm, last, "ra")):
        x = left + bar_px * value / top_mm
        draw.line([(x, top - unit), (x, bottom + 2 * unit)], fill=_INK, width=max(1, round(unit / 2)))
        draw.text((x, bottom + 3 * unit), text, font=font, fill=_INK, anchor=anchor)

    x0, x1 = left + bar_px + 0.05 * width, left + bar_px + 0.13 * width
    for y, words in ((0.3 * height, "gap not seen"), (0.7 * height, "recut")):
        if words == "recut":
            corners = (x0, y - 0.1 * height, x1, y + 0.1 * height)
            draw.rectangle(corners, outline=recut_rgb, width=round(unit))
        else:
            ends = np.linspace(x0, x1, 8)
            for k in range(7):
                draw.line([(ends[k], y), (ends[k + 1], y)], fill=unseen_rgb[k % 2], width=round(1.6 * unit))
        draw.text((x1 + 3 * unit, y), words, font=font, fill=_INK, anchor="lm")
    return strip.reduce(_SUPERSAMPLE)
