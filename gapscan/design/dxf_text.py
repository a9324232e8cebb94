"""Texts of a DXF file as labels."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from gapscan.design.drawn import Label, Layer

TEXTS = frozenset(("TEXT", "MTEXT", "ATTRIB"))
# mean advance of a letter in capital heights (common practice, no source); a label need only fall in its face
_ADVANCE = 0.9
_LINE_FEED = 5.0 / 3.0  # of MTEXT, in letter heights (DXF reference, MTEXT line spacing)


def entity_label(entity: Any, scale: float, label: str, layer: Layer) -> Label | None:
    """TEXT, MTEXT or a block's attribute as a label, in mm with y down; None when it is empty.

    ``scale`` is mm per drawing unit.
    """
    text, at, middle = _multi(entity) if entity.dxftype() == "MTEXT" else _single(entity)
    text = " ".join(text.split())
    if not text or not np.isfinite([*at, *middle]).all():
        return None
    return Label(text, (middle[0] * scale, -middle[1] * scale), (at[0] * scale, -at[1] * scale), label, layer)


def _single(entity: Any) -> tuple[str, tuple[float, float], tuple[float, float]]:
    text = str(entity.plain_text())
    align, first, second = entity.get_placement()
    height, width = float(entity.dxf.height), float(entity.dxf.get("width", 1.0))
    long = _ADVANCE * height * width * len(text.strip())
    name = align.name
    if name in ("ALIGNED", "FIT") and second is not None:
        ends = entity.ocs().points_to_wcs([first, second]) if entity.ocs().transform else [first, second]
        a, b = ((p.x, p.y) for p in ends)
        return text, a, ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
    right = -0.5 if name.endswith("RIGHT") else 0.0 if name.endswith(("CENTER", "MIDDLE")) else 0.5
    up = -0.5 if name.startswith("TOP") else 0.0 if name.startswith("MIDDLE") else 0.5
    turn = math.radians(float(entity.dxf.get("rotation", 0.0)))
    x, y = _turned(right * long, up * height, turn)
    ocs = entity.ocs()
    at = (first.x, first.y, 0.0), (first.x + x, first.y + y, 0.0)
    places = [(p.x, p.y) for p in ocs.points_to_wcs(at)] if ocs.transform else [(p[0], p[1]) for p in at]
    return text, places[0], places[1]


def _multi(entity: Any) -> tuple[str, tuple[float, float], tuple[float, float]]:
    lines = [line for line in str(entity.plain_text()).splitlines() if line.strip()]
    height = float(entity.dxf.char_height)
    long = _ADVANCE * height * max((len(line.strip()) for line in lines), default=0)
    deep = height * (1 + _LINE_FEED * (len(lines) - 1))
    # attachment point 1..9: top, middle, bottom rows of left, centre, right (DXF reference, MTEXT group 71)
    row, column = divmod(int(entity.dxf.get("attachment_point", 1)) - 1, 3)
    x, y = _turned((0.5, 0.0, -0.5)[column] * long, (-0.5, 0.0, 0.5)[row] * deep, math.radians(entity.get_rotation()))
    at = entity.dxf.insert
    return "\n".join(lines), (at.x, at.y), (at.x + x, at.y + y)


def _turned(x: float, y: float, turn: float) -> tuple[float, float]:
    return x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
