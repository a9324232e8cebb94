"""The history drawn: widest and mean gap by round, and the undersize of every piece that was recut."""

from __future__ import annotations

import math
from itertools import pairwise

from gapscan.cutting.svg_text import attribute, content
from gapscan.rounds.history import History, PieceRound, Round
from gapscan.rounds.tell import figure

_WIDTH, _LEFT, _RIGHT, _TOP, _HIGH, _BETWEEN = 760.0, 70.0, 190.0, 64.0, 220.0, 84.0
_MOST_LINES = 16  # pieces drawn; more cannot be told apart
_LABEL_PX = 14.0  # least distance of two labels
# Colours that those who do not tell red from green can tell apart (Okabe and Ito 2008); lines differ by dashes as well.
_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#8a6d00", "#000000")
_DASHES = ("", "6 3", "2 3", "9 3 2 3")


def chart_svg(history: History) -> str:
    """The drawing as SVG text: two panels over the same rounds, figures in mm, bars of one standard uncertainty."""
    pieces = _drawn(history)
    second = bool(pieces)
    height = _TOP + _HIGH + (_BETWEEN + _HIGH if second else 0.0) + 60.0
    body = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH:g}" height="{height:g}" '
        f'viewBox="0 0 {_WIDTH:g} {height:g}" font-family="sans-serif" font-size="12" role="img" '
        f"aria-label={attribute('Gaps and sizes by round')}>",
        f'<rect width="{_WIDTH:g}" height="{height:g}" fill="#ffffff"/>',
        *_gap_panel(history, _TOP),
        *(_piece_panel(history, pieces, _TOP + _HIGH + _BETWEEN) if second else []),
        "</svg>",
    ]
    return "\n".join(body) + "\n"


def _gap_panel(history: History, top: float) -> list[str]:
    rounds = history.rounds
    widest = [(one.widest_mm, one.u_widest_mm) for one in rounds]
    mean = [(one.mean_mm, one.u_mean_mm) for one in rounds]
    tolerance = rounds[-1].tolerance_mm
    figures = [v + (u or 0.0) for v, u in (*widest, *mean) if v is not None]
    scale = _Scale(top, 0.0, max([*figures, tolerance]) * 1.08)
    y = scale.y(tolerance)
    out = [
        *_panel("Gap, mm: widest of any seam (mean over 3 mm), and mean over all seams", rounds, scale),
        f'<line x1="{_LEFT:g}" y1="{y:.1f}" x2="{_WIDTH - _RIGHT:g}" y2="{y:.1f}" stroke="#777777" '
        'stroke-dasharray="4 4"/>',
        *_line(widest, scale, _COLOURS[1], "", f"{_told(widest)}"),
        *_line(mean, scale, _COLOURS[0], "6 3", f"{_told(mean)}"),
    ]
    labels = [(y, f"tolerance {tolerance:.2f}", "#555555")]
    labels += [
        (scale.y(last), f"{words} {figure(last, u)}", colour)
        for (last, u), words, colour in ((widest[-1], "widest", _COLOURS[1]), (mean[-1], "mean", _COLOURS[0]))
        if last is not None
    ]
    return out + _labels(labels, scale.top)


def _piece_panel(history: History, pieces: dict[str, tuple[PieceRound, ...]], top: float) -> list[str]:
    values = {name: [(p.undersize_mm, p.u_undersize_mm) for p in rounds] for name, rounds in pieces.items()}
    known = [(v, u or 0.0) for line in values.values() for v, u in line if v is not None]
    low = min([0.0, *(v - u for v, u in known)])
    high = max([0.02, *(v + u for v, u in known)])
    scale = _Scale(top, low - 0.05 * (high - low) * (low < 0), high + 0.08 * (high - low))
    more = len(history.pieces) - len(pieces)
    title = "Undersize of recut pieces, mm (+ is too small; a filled dot: to be recut)"
    out = _panel(title + (f"; {more} more not drawn" if more else ""), history.rounds, scale)
    labels = []
    for k, (name, line) in enumerate(values.items()):
        colour, dash = _COLOURS[k % len(_COLOURS)], _DASHES[(k // len(_COLOURS)) % len(_DASHES)]
        asked = [p.asked_mm is not None for p in pieces[name]]
        out += _line(line, scale, colour, dash, f"{name}: {_told(line)}", asked)
        last = next(((v, u) for v, u in reversed(line) if v is not None), (None, None))
        if last[0] is not None:
            labels.append((scale.y(last[0]), f"{_short(name)} {figure(*last, sign=True)}", colour))
    return out + _labels(labels, scale.top)


class _Scale:
    """From mm to the height in one panel."""

    def __init__(self, top: float, low: float, high: float) -> None:
        self.top, self.low, self.high = top, low, max(high, low + 1e-3)

    def y(self, value: float) -> float:
        return self.top + _HIGH * (self.high - value) / (self.high - self.low)

    def ticks(self) -> list[float]:
        """Four to nine round figures (steps of 1, 2 or 5 times a power of ten)."""
        rough = (self.high - self.low) / 6
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
        first = math.ceil(self.low / step - 1e-9)
        return [step * k for k in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _panel(title: str, rounds: tuple[Round, ...], scale: _Scale) -> list[str]:
    right = _WIDTH - _RIGHT
    out = [_text(_LEFT - 40, scale.top - 22, title, size=13, bold=True)]
    for value in scale.ticks():
        y = scale.y(value)
        digits = 3 if scale.high - scale.low < 0.06 else 2
        out.append(f'<line x1="{_LEFT:g}" y1="{y:.1f}" x2="{right:g}" y2="{y:.1f}" stroke="#e4e4e4"/>')
        out.append(_text(_LEFT - 8, y + 4, f"{value + 0.0:.{digits}f}", anchor="end"))
    for k, one in enumerate(rounds):
        out.append(_text(_x(k, len(rounds)), scale.top + _HIGH + 18, f"round {one.number}", anchor="middle"))
        words = f"{len(one.to_recut)} to recut" if one.to_recut else "none to recut"
        out.append(_text(_x(k, len(rounds)), scale.top + _HIGH + 33, words, anchor="middle", colour="#555555"))
    out.append(f'<path d="M{_LEFT:g},{scale.top:g} V{scale.top + _HIGH:g} H{right:g}" fill="none" stroke="#333333"/>')
    return out


def _line(
    values: list[tuple[float | None, float | None]],
    scale: _Scale,
    colour: str,
    dash: str,
    told: str,
    filled: list[bool] | None = None,
) -> list[str]:
    """A line through what was seen, with bars of one standard uncertainty; broken where a round saw nothing."""
    count = len(values)
    at = [None if v is None else (_x(k, count), scale.y(v)) for k, (v, _) in enumerate(values)]
    out = [f"<g><title>{content(told)}</title>"]
    for one, following in pairwise(at):
        if one and following:
            dashes = f' stroke-dasharray="{dash}"' if dash else ""
            out.append(
                f'<line x1="{one[0]:.1f}" y1="{one[1]:.1f}" x2="{following[0]:.1f}" y2="{following[1]:.1f}" '
                f'stroke="{colour}" stroke-width="1.8"{dashes}/>'
            )
    for k, (place, (value, u)) in enumerate(zip(at, values, strict=True)):
        if place is None or value is None:
            continue
        if u is not None and math.isfinite(u):
            out.append(
                f'<line x1="{place[0]:.1f}" y1="{scale.y(value - u):.1f}" x2="{place[0]:.1f}" '
                f'y2="{scale.y(value + u):.1f}" stroke="{colour}"/>'
            )
        inside = colour if filled is None or filled[k] else "#ffffff"
        out.append(
            f'<circle cx="{place[0]:.1f}" cy="{place[1]:.1f}" r="4" fill="{inside}" stroke="{colour}" stroke-width="1.5"/>'
        )
    return [*out, "</g>"]


def _labels(labels: list[tuple[float, str, str]], top: float) -> list[str]:
    """Names at the right, pushed apart so that none hides another and none leaves the panel."""
    chosen = sorted(labels)
    places: list[float] = []
    for y, _, _ in chosen:
        places.append(max([y, *(last + _LABEL_PX for last in places[-1:])]))
    lowest = top + _HIGH + _LABEL_PX
    for k in reversed(range(len(places))):
        places[k] = min(places[k], lowest - _LABEL_PX)
        lowest = places[k]
    return [
        _text(_WIDTH - _RIGHT + 12, y + 4, words, colour=colour)
        for y, (_, words, colour) in zip(places, chosen, strict=True)
    ]


def _short(name: str) -> str:
    return name if len(name) <= 10 else name[:9] + "…"


def _x(k: int, count: int) -> float:
    room = _WIDTH - _RIGHT - _LEFT
    return _LEFT + room * ((k + 0.5) / count)


def _drawn(history: History) -> dict[str, tuple[PieceRound, ...]]:
    """The pieces to draw: of many, those that were off the most."""

    def worst(name: str) -> float:
        return max((abs(p.undersize_mm) for p in history.pieces[name] if p.undersize_mm is not None), default=-1.0)

    chosen = sorted(history.pieces, key=lambda name: (-worst(name), name))[:_MOST_LINES]
    return {name: history.pieces[name] for name in sorted(chosen) if worst(name) >= 0.0}


def _told(values: list[tuple[float | None, float | None]]) -> str:
    return ", ".join("not seen" if v is None else f"{v:.3f} ± {u or 0.0:.3f} mm" for v, u in values)


def _text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    size: int = 12,
    bold: bool = False,
    colour: str = "#222222",
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{weight} fill="{colour}">'
        f"{content(words)}</text>"
    )
