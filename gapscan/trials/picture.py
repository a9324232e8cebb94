"""The comparison as a picture: one interval a row, the usual graph of a meta-analysis."""

from __future__ import annotations

import math

from gapscan.cutting.svg_text import content
from gapscan.trials.types import Comparison, Estimate
from gapscan.trials.words import finding_words, headline

_ROW, _TOP, _LEFT, _PLOT, _RIGHT = 24.0, 56.0, 210.0, 340.0, 190.0
_STEPS = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)


def comparison_svg(found: Comparison) -> str:
    """An SVG drawing: mean difference of the loss an edge, B − A, with its 95 % interval, for all pieces and each class."""
    rows = [(group.name if group.kind != "all" else "all pieces", group.estimate, finding_words(group))
            for group in (found.whole, *found.groups)]  # fmt: skip
    reach = max((max(abs(x) for x in _ends(one)) for _, one, _ in rows if one is not None), default=0.0)
    step = next((s for s in _STEPS if reach <= 3 * s), _STEPS[-1])
    half = step * max(3, math.ceil(reach / step))
    width, height = _LEFT + _PLOT + _RIGHT, _TOP + _ROW * len(rows) + 48.0

    def x(value_mm: float) -> float:
        return _LEFT + _PLOT * (0.5 + value_mm / (2 * half))

    bottom = _TOP + _ROW * len(rows)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        'font-family="sans-serif" font-size="12" role="img">',
        f"<title>{content(headline(found))}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
        f'<text x="10" y="20" font-weight="bold">{content(f"B {found.names[1]} against A {found.names[0]}")}</text>',
        '<text x="10" y="38" fill="#555">difference of the loss an edge, mm: mean and 95 % interval</text>',
    ]
    for k in range(-round(half / step), round(half / step) + 1):
        at, colour = x(k * step), "#333" if k == 0 else "#ddd"
        parts.append(f'<path d="M{at:.1f},{_TOP - 6:g} V{bottom:g}" stroke="{colour}" fill="none"/>')
        parts.append(f'<text x="{at:.1f}" y="{bottom + 16:g}" text-anchor="middle">{_tick(k * step)}</text>')
    parts.append(f'<text x="{_LEFT:g}" y="{bottom + 36:g}">← B loses less</text>')
    parts.append(f'<text x="{_LEFT + _PLOT:g}" y="{bottom + 36:g}" text-anchor="end">B loses more →</text>')
    for k, (name, one, words) in enumerate(rows):
        y = _TOP + _ROW * (k + 0.5)
        count = "" if one is None else f" ({one.count})"
        parts.append(f'<text x="10" y="{y + 4:g}">{content(name[:28] + count)}</text>')
        parts.append(f'<text x="{_LEFT + _PLOT + 12:g}" y="{y + 4:g}">{content(words)}</text>')
        if one is not None:
            low, high = _ends(one)
            size = 5.0 if k == 0 else 3.5
            parts.append(
                f'<path d="M{x(low):.1f},{y:g} H{x(high):.1f}" stroke="#1f4e79" stroke-width="2" fill="none"/>'
            )
            parts.append(f'<circle cx="{x(one.mean_mm):.1f}" cy="{y:g}" r="{size:g}" fill="#1f4e79"/>')
    return "\n".join([*parts, "</svg>"]) + "\n"


def _ends(one: Estimate) -> tuple[float, float]:
    return (one.low_mm, one.high_mm) if math.isfinite(one.low_mm) else (one.mean_mm, one.mean_mm)


def _tick(value_mm: float) -> str:
    return f"{value_mm:+.3g}" if value_mm else "0"
