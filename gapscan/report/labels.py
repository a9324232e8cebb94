"""Places for labels: beside each other, never over each other."""

from __future__ import annotations

import math
from collections.abc import Sequence

Box = tuple[float, float, float, float]  # left, top, right, bottom


def place_labels(
    anchors: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    *,
    bounds: Box,
    margin: float,
) -> list[Box]:
    """A box for each label: centred on its anchor, or as near to it as a free place inside ``bounds`` is
    found.

    Places are tried on rings of growing radius. A label for which the bounds hold no free place is put at its
    anchor all the same. Units are those of the input.
    """
    placed: list[Box] = []
    for (x, y), (width, height) in zip(anchors, sizes, strict=True):
        chosen: Box | None = None
        for dx, dy in _spiral(step=0.5 * height, rings=80):
            box = _inside(x + dx, y + dy, width, height, bounds)
            if not any(_touch(box, other, margin) for other in placed):
                chosen = box
                break
        placed.append(chosen or _inside(x, y, width, height, bounds))
    return placed


def shorten(text: str, limit: int) -> str:
    """Text of at most ``limit`` characters, its middle left out, on one line."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split()) or "?"
    if len(line) <= limit:
        return line
    head = (limit - 1) // 2
    return f"{line[:head]}…{line[len(line) - (limit - 1 - head) :]}"


def _spiral(*, step: float, rings: int) -> list[tuple[float, float]]:
    places = [(0.0, 0.0)]
    for ring in range(1, rings + 1):
        count = 8 if ring < 4 else 16
        for k in range(count):
            angle = 2.0 * math.pi * k / count + 0.5 * math.pi
            places.append((1.6 * ring * step * math.cos(angle), ring * step * math.sin(angle)))
    return places


def _inside(x: float, y: float, width: float, height: float, bounds: Box) -> Box:
    """The box centred on (x, y), pushed into the bounds."""
    left = min(max(x - width / 2, bounds[0]), max(bounds[2] - width, bounds[0]))
    top = min(max(y - height / 2, bounds[1]), max(bounds[3] - height, bounds[1]))
    return left, top, left + width, top + height


def _touch(a: Box, b: Box, margin: float) -> bool:
    return a[0] < b[2] + margin and b[0] < a[2] + margin and a[1] < b[3] + margin and b[1] < a[3] + margin
