"""Pieces of SVG text: attributes, figures, path data of curves."""

from __future__ import annotations

import re
from xml.sax.saxutils import quoteattr

from gapscan.cutting.rings import Line, PointMm, Ring

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def attribute(text: str) -> str:
    """Text as a quoted XML attribute; characters that XML cannot hold become U+FFFD."""
    return quoteattr(_NOT_XML.sub("\ufffd", text))


def content(text: str) -> str:
    """Text as the content of an XML element, in the same way."""
    clean = _NOT_XML.sub("\ufffd", text)
    return clean.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def short(value: float) -> str:
    """At most four decimals, no trailing zeros, no minus zero."""
    return f"{round(float(value), 4) + 0.0:.4f}".rstrip("0").rstrip(".")


def curve_data(rings: tuple[Ring, ...]) -> str:
    """SVG path data in mm: a closed subpath for each ring."""
    return " ".join(_ring_data(ring) for ring in rings)


def _ring_data(ring: Ring) -> str:
    words = [f"M{_pair(ring[0].start_mm)}"]
    command = ""
    # The line that only comes back to the start is what closing the path draws.
    closing = isinstance(ring[-1], Line)
    for segment in ring[:-1] if closing else ring:
        if isinstance(segment, Line):
            words.append(("L" if command != "L" else "") + _pair(segment.end_mm))
            command = "L"
        else:
            places = (segment.first_mm, segment.second_mm, segment.end_mm)
            words.append(("C" if command != "C" else "") + " ".join(_pair(place) for place in places))
            command = "C"
    return " ".join([*words, "Z"])


def _pair(point: PointMm) -> str:
    return f"{short(point[0])},{short(point[1])}"
