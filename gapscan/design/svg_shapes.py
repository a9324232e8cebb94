"""One SVG element to polylines in mm: lengths, transforms, path data and the basic shapes (SVG 1.1/2)."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.design.flatten import flatten_arc, flatten_cubic, flatten_quadratic
from gapscan.errors import InputError

FloatArray = NDArray[np.float64]

PX_MM = 25.4 / 96  # CSS Values 3; older drawing programs wrote 72 to the inch
_UNIT_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "q": 0.25,
    "in": 25.4,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
}
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*([a-zA-Z]*|%)\s*")
_NUMBERS = re.compile(_NUMBER)
_LINE_WORDS = frozenset("MLZz, \t\r\n")
_PATH_WORDS = re.compile(rf"{_NUMBER}|[MmZzLlHhVvCcSsQqTtAa\s,]")
_TRANSFORM = re.compile(r"(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^()]*)\)")
_TRANSFORM_COUNTS = {
    "matrix": (6,), "translate": (1, 2), "scale": (1, 2), "rotate": (1, 3), "skewX": (1,), "skewY": (1,),
}  # fmt: skip


@dataclass(frozen=True)
class Run:
    """One subpath as drawn: ``points_mm`` (N, 2); ``closed`` when it ended with Z or its shape is."""

    points_mm: FloatArray
    closed: bool


def length_mm(text: str, *, percent_of_mm: float | None, where: str, px_mm: float = PX_MM) -> float:
    """An SVG length with its unit in mm; ``px_mm`` is that of a px or bare number. Raises InputError naming the place."""
    match = _LENGTH.fullmatch(text)
    unit = match.group(2).lower() if match else ""
    if match and unit in ("", "px"):
        return float(match.group(1)) * px_mm
    if match and unit in _UNIT_MM:
        return float(match.group(1)) * _UNIT_MM[unit]
    if match and unit == "%" and percent_of_mm is not None:
        return float(match.group(1)) / 100 * percent_of_mm
    raise InputError(f"{where}: cannot read the length {text!r}; use a number with mm, cm, in, pt, pc or px")


def numbers(text: str) -> list[float]:
    """All numbers in a list separated by spaces or commas; ValueError on anything else between them."""
    if _NUMBERS.sub("", text).strip(" \t\r\n,"):
        raise ValueError(text)
    return [float(n) for n in _NUMBERS.findall(text)]


def transform_matrix(text: str, *, where: str) -> FloatArray:
    """A ``transform`` attribute as a (3, 3) matrix. Raises InputError naming the place.

    svgelements multiplies the list out, but lets misspelt functions, units and wrong counts pass; hence the
    check.
    """
    from svgelements import Matrix

    rest = _TRANSFORM.sub("", text).strip(" \t\r\n,")
    try:
        good = not rest and all(len(numbers(a)) in _TRANSFORM_COUNTS[f] for f, a in _TRANSFORM.findall(text))
    except ValueError:
        good = False
    if not good:
        raise InputError(f"{where}: cannot read the transform {text!r}; apply the transform in the drawing program")
    m = Matrix(text)
    return np.array([[m.a, m.c, m.e], [m.b, m.d, m.f], [0.0, 0.0, 1.0]], dtype=float)


def shape_runs(
    tag: str,
    attributes: Mapping[str, str],
    to_mm: FloatArray,
    *,
    viewport: tuple[float, float],
    where: str,
    px_mm: float = PX_MM,
) -> list[Run]:
    """The subpaths of a path or basic shape, flattened in mm.

    ``to_mm`` (3, 3) takes the element's user units to mm; ``viewport`` is in user units (for percentages); ``px_mm``
    is the user unit that lengths in mm or inches are turned into before ``to_mm``.
    Raises InputError naming the place when an attribute cannot be read.
    """
    if tag == "path":
        return _path(attributes.get("d", ""), to_mm, where)
    if tag in ("polygon", "polyline"):
        try:
            values = numbers(attributes.get("points", ""))
        except ValueError:
            values = [0.0]
        if len(values) % 2:
            raise InputError(f"{where}: its list of points cannot be read; draw the shape again")
        points = _apply(to_mm, np.array(values, dtype=float).reshape(-1, 2))
        return [Run(points, tag == "polygon")] if len(points) else []
    width, height = viewport

    def value(key: str, of: float, default: float = 0.0) -> float:
        text = attributes.get(key, "").strip()
        if not text or text == "auto":
            return default
        return length_mm(text, percent_of_mm=of * px_mm, where=where, px_mm=px_mm) / px_mm

    if tag == "line":
        ends = np.array([[value("x1", width), value("y1", height)], [value("x2", width), value("y2", height)]])
        return [Run(_apply(to_mm, ends), False)]
    if tag == "rect":
        w, h = value("width", width), value("height", height)
        rx, ry = value("rx", width, -1.0), value("ry", height, -1.0)
        rx, ry = (rx if rx >= 0 else max(ry, 0.0)), (ry if ry >= 0 else max(rx, 0.0))
        if w <= 0 or h <= 0:
            return []
        corner = np.array([value("x", width), value("y", height)])
        return [_rect(corner, (w, h), (min(rx, w / 2), min(ry, h / 2)), to_mm)]
    return _round_shape(tag, value, to_mm, viewport)


def _round_shape(tag: str, value: Callable[..., float], to_mm: FloatArray, viewport: tuple[float, float]) -> list[Run]:
    """A circle or an ellipse."""
    width, height = viewport
    diagonal = math.hypot(width, height) / math.sqrt(2)
    if tag == "circle":
        rx = ry = value("r", diagonal)
    else:
        rx, ry = value("rx", width, -1.0), value("ry", height, -1.0)
        rx, ry = (rx if rx >= 0 else ry), (ry if ry >= 0 else rx)
    if rx <= 0 or ry <= 0:
        return []
    centre = _apply(to_mm, np.array([[value("cx", width), value("cy", height)]]))[0]
    axes = (to_mm[:2, :2] @ np.diag([rx, ry])).T
    return [Run(flatten_arc(centre, axes, start_rad=0.0, sweep_rad=2 * math.pi), True)]


def _apply(to_mm: FloatArray, points: FloatArray) -> FloatArray:
    return np.asarray(points @ to_mm[:2, :2].T + to_mm[:2, 2])


def _rect(corner: FloatArray, size: tuple[float, float], radii: tuple[float, float], to_mm: FloatArray) -> Run:
    (w, h), (rx, ry) = size, radii
    if rx <= 0 or ry <= 0:
        unit = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
        return Run(_apply(to_mm, corner + unit * [w, h]), True)
    parts = []
    axes = (to_mm[:2, :2] @ np.diag([rx, ry])).T
    # clockwise on screen from the upper right corner's arc
    for k, (cx, cy) in enumerate([(w - rx, ry), (w - rx, h - ry), (rx, h - ry), (rx, ry)]):
        start = (k - 1) * math.pi / 2
        centre = _apply(to_mm, corner[None] + [cx, cy])[0]
        first = centre + math.cos(start) * axes[0] + math.sin(start) * axes[1]
        parts += [first[None], flatten_arc(centre, axes, start_rad=start, sweep_rad=math.pi / 2)]
    return Run(np.concatenate(parts), True)


def _path(d: str, to_mm: FloatArray, where: str) -> list[Run]:
    """Path data by svgelements; what it would drop without a word is refused first."""
    from svgelements import Arc, Close, CubicBezier, Move, Path, QuadraticBezier

    data = d.strip()
    if not data or data == "none":
        return []
    fault = InputError(f"{where}: its path data cannot be read; draw the path again or save the file as plain SVG")
    if _PATH_WORDS.sub("", data) or data[0] not in "Mm":
        raise fault
    lines = _polylines(data, to_mm)
    if lines is not None:
        return lines
    try:
        segments: list[Any] = list(Path(data))
    except (ValueError, IndexError, TypeError, AttributeError, ZeroDivisionError, OverflowError) as err:
        raise fault from err
    runs: list[Run] = []
    parts: list[FloatArray] = []

    def finish(closed: bool) -> None:
        points = np.concatenate(parts) if parts else np.empty((0, 2))
        if len(points) > 1:
            runs.append(Run(points, closed))
        parts.clear()

    def mm(*points: Any) -> FloatArray:
        return _apply(to_mm, np.array([[p.x, p.y] for p in points], dtype=float))

    for segment in segments:
        if isinstance(segment, Move):
            finish(False)
            parts.append(mm(segment.end))
            continue
        if not parts:  # a command straight after Z goes on from the point where that subpath began
            parts.append(mm(segment.start))
        if isinstance(segment, Close):
            finish(True)
        elif isinstance(segment, CubicBezier):
            parts.append(flatten_cubic(mm(segment.start, segment.control1, segment.control2, segment.end)))
        elif isinstance(segment, QuadraticBezier):
            parts.append(flatten_quadratic(mm(segment.start, segment.control, segment.end)))
        elif isinstance(segment, Arc) and segment.rx > 0 and segment.ry > 0:
            parts.append(_path_arc(segment, to_mm))
        else:
            parts.append(mm(segment.end))
    finish(False)
    return runs


def _polylines(data: str, to_mm: FloatArray) -> list[Run] | None:
    """Path data of absolute M, L and Z alone, read without the general parser; None when there is anything else.

    Drawings with curves as fine polylines are most of what is read, and hold most of the points.
    """
    if not _LINE_WORDS.issuperset(_NUMBERS.sub("", data)):
        return None
    runs: list[Run] = []
    for subpath in data.split("M")[1:]:
        body, *rest = re.split("[Zz]", subpath)
        if len(rest) > 1 or (rest and rest[0].strip()):  # goes on after Z without a new M
            return None
        groups = [_NUMBERS.findall(group) for group in body.split("L")]
        if any(len(group) % 2 or not group for group in groups):
            return None
        points = np.array([value for group in groups for value in group], dtype=float).reshape(-1, 2)
        if len(points) > 1:
            runs.append(Run(_apply(to_mm, points), bool(rest)))
    return runs


def _path_arc(arc: Any, to_mm: FloatArray) -> FloatArray:
    """An ``A`` segment: centre and half diameters from svgelements, start angle from the start point."""

    def point(p: Any) -> FloatArray:
        return np.array([p.x, p.y], dtype=float)

    centre, start, end = point(arc.center), point(arc.start), point(arc.end)
    axes = np.array([point(arc.prx) - centre, point(arc.pry) - centre])
    first = float(np.arctan2(*(np.linalg.solve(axes.T, start - centre)[::-1])))
    sweep = float(arc.sweep)
    if np.linalg.det(axes) < 0:  # svgelements measures the sweep from x to y
        sweep = -sweep
    points = flatten_arc(_apply(to_mm, centre[None])[0], axes @ to_mm[:2, :2].T, start_rad=first, sweep_rad=sweep)
    points[-1] = _apply(to_mm, end[None])[0]
    return points
