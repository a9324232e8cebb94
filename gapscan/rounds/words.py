"""A round in sentences, for the list in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from gapscan.rounds.types import Before, PieceChange, Response, SeamChange
from gapscan.text import named

_MOST = 8  # seams or pieces named in a line
_ORDER = ("still wide", "newly wide", "wide now, not seen before", "still pressing", "newly pressing",
          "pressing now, not seen before")  # fmt: skip


def round_lines(
    before: Before, seams: Sequence[SeamChange], pieces: Sequence[PieceChange], response: Response
) -> tuple[str, ...]:
    """What came right, what did not, what the recut pieces got of what was asked, and what the next advice counts on."""
    lines = [f"Round {before.number + 1}, after {before.name}: {_came_right(seams)}"]
    for verdict in _ORDER:
        some = sorted((s for s in seams if s.verdict == verdict), key=lambda s: -(s.now.gap_mm or 0.0))
        if some:
            lines.append(f"{verdict.capitalize()}: {named([_seam(s) for s in some], between='; ', limit=_MOST)}.")
    dark = [s.id for s in seams if s.verdict == "not seen now" and s.before.state != "not seen"]
    if dark:
        lines.append(f"Seen before but not now: {named(dark, limit=_MOST)}.")
    lines += _piece_lines(pieces)
    lines.append(_response(response, before.prior))
    return tuple(lines)


def _came_right(seams: Sequence[SeamChange]) -> str:
    out = [s for s in seams if s.before.state in ("wide", "pressing")]
    right = [s for s in out if s.verdict == "came right"]
    if not out:
        return "no seam was out before."
    which = f" ({named([s.id for s in right], limit=_MOST)})" if right else ""
    return f"{len(right)} of {len(out)} seam{'s' * (len(out) != 1)} that were out came right{which}."


def _seam(seam: SeamChange) -> str:
    if seam.now.gap_mm is None:
        return f"{seam.id} (gap not seen)"
    now = f"{seam.id} {seam.now.gap_mm:.3f} ± {seam.now.u_gap_mm:.3f} mm"
    if seam.before.gap_mm is None:
        return now
    return f"{now} (was {seam.before.gap_mm:.3f} ± {seam.before.u_gap_mm:.3f})"


def _piece_lines(pieces: Sequence[PieceChange]) -> list[str]:
    asked = [p for p in pieces if p.asked_mm != 0.0]
    lines = []
    told = [p for p in asked if p.finding not in ("not seen", "not recut")]
    if told:
        each = [f"{p.id} {p.got_mm:+.3f} ± {p.u_got_mm:.3f} of {p.asked_mm:+.3f} mm, {p.finding}" for p in told]
        lines.append(f"Recut pieces got: {named(each, between='; ', limit=_MOST)}.")
    unseen = [p.id for p in asked if p.finding == "not seen"]
    if unseen:
        lines.append(f"Recut pieces whose size was not seen before or now: {named(unseen, limit=_MOST)}.")
    idle = [p for p in asked if p.finding == "not recut"]
    for p in idle[:_MOST]:
        lines.append(
            f"{p.id} looks as if this piece was not recut: its size changed by {p.got_mm:+.3f} ± {p.u_got_mm:.3f} mm "
            f"where {p.asked_mm:+.3f} was asked."
        )
    if len(idle) > _MOST:
        lines.append(f"… and {len(idle) - _MOST} more that look so.")
    moved = [f"{p.id} {p.got_mm:+.3f} ± {p.u_got_mm:.3f} mm" for p in pieces if p.finding == "changed"]
    if moved:
        lines.append(
            f"Changed size though no recut was asked (+ is larger): {named(moved, between='; ', limit=_MOST)}."
        )
    return lines


def _response(response: Response, prior: Response) -> str:
    figure = f"{response.figure:.2f} ± {response.u:.2f}"
    if not response.believed:
        return (
            f"The recut pieces took so little or so much of what was asked that it is not believed; {figure} is counted "
            "on. Check that the recut drawing was cut at its own scale."
        )
    if response.pieces == 0:
        return f"No recut piece tells how much of an asked change is got; {figure} is counted on, as before."
    many = f"{response.pieces} recut piece{'s' * (response.pieces != 1)}"
    was = f"{prior.figure:.2f} ± {prior.u:.2f}"
    return f"Of an asked change {figure} is got, by {many} (counted on before: {was}); new changes allow for it."
