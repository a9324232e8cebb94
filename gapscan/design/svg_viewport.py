"""Units of an SVG drawing: width, height, viewBox and preserveAspectRatio."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element

import numpy as np
from numpy.typing import NDArray

from gapscan.design.svg_shapes import PX_MM, length_mm, numbers
from gapscan.errors import InputError

FloatArray = NDArray[np.float64]


def root_viewport(root: Element, source: str, *, px_mm: float = PX_MM) -> tuple[FloatArray, tuple[float, float], str]:
    """User units of the root to mm (3, 3), the viewport's size in user units, and in words how lengths were taken."""

    def size(key: str) -> float | None:
        text = root.get(key, "").strip()
        if not text or text == "auto" or text.endswith("%"):
            return None
        value = length_mm(text, percent_of_mm=None, where=f"{source}: {key} of the drawing", px_mm=px_mm)
        if value <= 0:
            raise InputError(f"{source}: {key} of the drawing is {text!r}; it must be more than 0")
        return value

    width, height = size("width"), size("height")
    box = view_box(root, source)
    per_inch = f"px at {25.4 / px_mm:g} to the inch"
    if box is None:
        viewport = ((width or 100 * px_mm) / px_mm, (height or 100 * px_mm) / px_mm)
        return np.diag([px_mm, px_mm, 1.0]), viewport, per_inch
    units = {root.get(key, "").strip().lstrip("+-.0123456789eE") for key in ("width", "height")} - {"", "%", "px"}
    words = " and ".join("inches" if unit == "in" else unit for unit in sorted(units - {"auto"}))
    how = f"size of the page in {words}" if words else per_inch
    if width is None and height is None:
        width, height = box[2] * px_mm, box[3] * px_mm
    elif height is None and width is not None:
        height = box[3] * width / box[2]
    elif width is None and height is not None:
        width = box[2] * height / box[3]
    assert width is not None
    assert height is not None
    fit = fit_box(box, (width, height), root.get("preserveAspectRatio", ""))
    return fit, (box[2], box[3]), how


def view_box(element: Element, source: str) -> tuple[float, float, float, float] | None:
    """x, y, width, height of the viewBox; None without one. Raises InputError."""
    text = element.get("viewBox", "").strip()
    if not text:
        return None
    try:
        x, y, w, h = numbers(text)
    except ValueError:
        raise InputError(f"{source}: cannot read viewBox {text!r}; it must be four numbers") from None
    if not (w > 0 and h > 0 and np.isfinite([x, y, w, h]).all()):
        raise InputError(f"{source}: viewBox {text!r} has no size; give it a width and height above 0")
    return x, y, w, h


def fit_box(box: tuple[float, float, float, float], size: tuple[float, float], aspect: str) -> FloatArray:
    """viewBox to viewport, (3, 3) (SVG 2, 8.2: the equivalent transform of an SVG viewport)."""
    x, y, w, h = box
    sx, sy = size[0] / w, size[1] / h
    words = aspect.replace("defer", "").split() or ["xMidYMid"]
    if words[0] != "none":
        sx = sy = max(sx, sy) if words[-1] == "slice" else min(sx, sy)
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    align = re.fullmatch(r"x(Min|Mid|Max)Y(Min|Mid|Max)", words[0])
    ax, ay = (share[align.group(1)], share[align.group(2)]) if align else (0.0, 0.0)
    tx = -x * sx + ax * (size[0] - w * sx)
    ty = -y * sy + ay * (size[1] - h * sy)
    return np.array([[sx, 0.0, tx], [0.0, sy, ty], [0.0, 0.0, 1.0]])
