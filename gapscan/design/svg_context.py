"""What an SVG element inherits from the groups it stands in, beside its place: layer, letter size, alignment."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element

import numpy as np
from numpy.typing import NDArray

from gapscan.design.drawn import Label, Layer
from gapscan.design.svg_shapes import PX_MM, length_mm
from gapscan.errors import InputError

FloatArray = NDArray[np.float64]

_INKSCAPE = "{http://www.inkscape.org/namespaces/inkscape}"
# what programs call a group of themselves tells nothing of the wood
_AUTOMATIC = re.compile(
    r"(layer|ebene|calque|capa|livello|warstwa|group|gruppe|g|svg|root|page|drawing|design|pieces|shapes|path|patch|"
    r"axes|figure|line2d|use|text)?[ _#:-]*\d*([ _-]\d+)*",
    re.IGNORECASE,
)
# Letters of common typefaces: mean advance and half the height of a capital, in letter sizes (common practice, no
# source); a label need only fall in its face.
_ADVANCE = 0.55
_HALF_CAPITAL = 0.35


def group_layer(element: Element, inherited: Layer) -> Layer:
    """The layer inside this group: an inner one of equal or higher rank takes over."""
    told = (element.get("data-material") or "").strip()
    if told:
        return Layer(told, 3)
    label, own = (element.get(_INKSCAPE + "label") or "").strip(), element.get("id", "").strip()
    is_layer = element.get(_INKSCAPE + "groupmode") == "layer"
    for name, rank in ((label, 2), (own, 2 if is_layer and not label else 1)):
        if name and rank >= inherited.rank and not _AUTOMATIC.fullmatch(name):
            # a sub-layer or group inside a layer is an order of its own, not another wood
            return inherited if inherited.rank == 2 and not is_layer else Layer(name, rank)
    return inherited


def letter_size(declared: str, inherited: float, *, px_mm: float, where: str) -> float:
    """``font-size`` in user units; words and relative sizes keep what is inherited."""
    text = declared.strip()
    if not text:
        return inherited
    if text.endswith("%"):
        text = text[:-1].strip() + "e-2em"
    relative = re.fullmatch(r"([0-9.]+(?:e-2)?)em", text)
    try:
        if relative:
            return float(relative[1]) * inherited
        return length_mm(text, percent_of_mm=None, where=where, px_mm=px_mm) / px_mm
    except (InputError, ValueError):
        return inherited


def text_label(
    element: Element, to_mm: FloatArray, *, size: float, align: str, label: str, layer: Layer, px_mm: float = PX_MM
) -> Label | None:
    """A ``text`` element as a label; None when it is empty or its place cannot be read.

    Its first own place counts, its letters taken as one line with ``size`` in user units.
    """
    lines = [" ".join("".join(part.itertext()).split()) for part in _lines(element)]
    lines = [line for line in lines if line]
    if not lines:
        return None
    at = []
    for key in ("x", "y"):
        given = next((e.get(key, "") for e in element.iter() if e.get(key, "").strip()), "0")
        try:
            first = re.split(r"[\s,]+", given.strip())[0]
            at.append(length_mm(first, percent_of_mm=None, where=label, px_mm=px_mm) / px_mm)
        except InputError:
            return None
    width = _ADVANCE * size * max(len(line) for line in lines)
    shift = {"middle": 0.0, "end": -0.5}.get(align, 0.5) * width
    down = 0.6 * size * (len(lines) - 1)
    points = np.array([at, [at[0] + shift, at[1] - _HALF_CAPITAL * size + down]])
    anchor, middle = points @ to_mm[:2, :2].T + to_mm[:2, 2]
    if not np.isfinite([anchor, middle]).all():
        return None
    return Label(" ".join(lines), (middle[0], middle[1]), (anchor[0], anchor[1]), label, layer)


def _lines(element: Element) -> list[Element]:
    """The lines of a text: its tspans where each has a height of its own, else the text as a whole."""
    spans = [e for e in element if isinstance(e.tag, str) and e.get("y")]
    heights = {e.get("y") for e in spans}
    return spans if len(heights) > 1 and not (element.text or "").strip() else [element]
