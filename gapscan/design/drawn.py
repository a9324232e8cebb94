"""What a file reader hands on: everything drawn, in mm and y down, before it is decided how to read it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

HEAL_MM = 0.05  # mismatches up to this are closed, everywhere in this stage
CLOSE_MM = HEAL_MM  # a subpath whose ends are this near counts as closed


@dataclass(frozen=True)
class Layer:
    """Where a shape stands in the file's own order.

    ``rank`` 3: a material told in so many words; 2: a layer or a label of the drawing program; 1: a group's id.
    """

    name: str = ""
    rank: int = 0


NO_LAYER = Layer()


@dataclass(frozen=True)
class Outline:
    """One drawn closed shape. ``rings`` are (N, 2) in mm, closed or not by a repeated point.

    ``name`` is the id it was given; where it is empty the name is derived from ``stem`` ("leaf" gives
    "leaf-1"), and where both are empty it is "piece-N". Several rings are read even-odd, whatever the fill
    rule of the file: a laser cuts every contour, so a ring inside a ring is a hole.
    """

    name: str
    stem: str
    rings: tuple[FloatArray, ...]
    layer: Layer = NO_LAYER
    order: int = 0


@dataclass(frozen=True)
class Line:
    """One open line as drawn: ``points_mm`` (N, 2), N >= 2; ``label`` is how notes call it, ``name`` its id if it has one.

    ``order`` is its place among all shapes of the file.
    """

    points_mm: FloatArray
    label: str
    name: str = ""
    layer: Layer = NO_LAYER
    order: int = 0


@dataclass(frozen=True)
class Label:
    """A text in the drawing. ``middle_mm`` is the estimated middle of its letters, ``anchor_mm`` where it was set."""

    text: str
    middle_mm: tuple[float, float]
    anchor_mm: tuple[float, float]
    label: str
    layer: Layer = NO_LAYER


@dataclass(frozen=True)
class Drawn:
    """A drawing file's content.

    ``units`` says how lengths were taken; ``open_words`` and ``text_words`` are what notes call open lines and texts;
    ``layers_name`` is true where a shape alone on its layer is named after it.
    """

    outlines: tuple[Outline, ...]
    lines: tuple[Line, ...]
    labels: tuple[Label, ...]
    notes: tuple[str, ...]
    units: str
    open_words: str = "open paths"
    text_words: str = "text elements"
    layers_name: bool = False


def apart_mm(points: FloatArray) -> float:
    """Distance between the two ends of a line."""
    return float(np.hypot(*(points[0] - points[-1])))
