"""A job's history as plain data and as lines for the terminal."""

from __future__ import annotations

import math
from typing import Any

from gapscan.figures import rounded
from gapscan.rounds.history import History, PieceRound, Round

SCHEMA = "gapscan.rounds/1"
_MOST = 40  # pieces told of in the terminal


def history_json(history: History) -> dict[str, Any]:
    """The history as plain data for ``json.dumps(..., allow_nan=False)``; lengths in mm, None where nothing was seen."""
    return {
        "schema": SCHEMA,
        "units": "mm",
        "rounds": [_round(one) for one in history.rounds],
        "pieces": [
            {"id": name, "rounds": [_piece(one) for one in rounds]} for name, rounds in sorted(history.pieces.items())
        ],
    }


def round_rows(history: History) -> list[tuple[str, ...]]:
    """A row a round: round, pieces to recut, seams over tolerance, widest gap with its seam, not seen, stated chance."""
    return [
        (
            str(one.number),
            str(len(one.to_recut)),
            f"{len(one.wide)} (tolerance {one.tolerance_mm:.2f})",
            figure(one.widest_mm, one.u_widest_mm) + (f" {one.widest_seam}" if one.widest_seam else ""),
            str(len(one.dark)),
            "unknown" if math.isnan(one.chance) else f"{min(one.chance, 0.99):.0%}",
            one.folder,
        )
        for one in history.rounds
    ]


ROUND_HEADER = ("round", "to recut", "seams over", "widest gap, mm", "seams not seen", "chance", "folder")


def piece_lines(history: History) -> list[str]:
    """A line for every piece that was ever to be recut: offsets it was cut with and its undersize, round by round."""
    lines = []
    for name, rounds in sorted(history.pieces.items())[:_MOST]:
        offsets = " → ".join(f"{one.offset_mm:+.3f}" for one in rounds)
        sizes = " → ".join(figure(one.undersize_mm, one.u_undersize_mm, sign=True) for one in rounds)
        lines.append(f"{name}: offset {offsets}; undersize {sizes}")
    if len(history.pieces) > _MOST:
        lines.append(f"… and {len(history.pieces) - _MOST} more pieces; --json tells of all")
    return lines


def figure(value: float | None, u: float | None, *, sign: bool = False) -> str:
    """``0.142 ± 0.008``, or ``not seen``."""
    if value is None:
        return "not seen"
    told = f"{value:+.3f}" if sign else f"{value:.3f}"
    return told if u is None or not math.isfinite(u) else f"{told} ± {u:.3f}"


def _round(one: Round) -> dict[str, Any]:
    return {
        "number": one.number,
        "folder": one.folder,
        "tolerance_mm": one.tolerance_mm,
        "to_recut": list(one.to_recut),
        "seams_over_tolerance": list(one.wide),
        "seams_pressing": list(one.pressing),
        "seams_not_seen": list(one.dark),
        "widest_gap_mm": rounded(one.widest_mm),
        "widest_gap_standard_uncertainty_mm": rounded(one.u_widest_mm),
        "widest_seam": one.widest_seam or None,
        "mean_gap_mm": rounded(one.mean_mm),
        "mean_gap_standard_uncertainty_mm": rounded(one.u_mean_mm),
        "chance": rounded(one.chance),
        "response": None if one.response is None else rounded(one.response[0]),
        "response_standard_uncertainty": None if one.response is None else rounded(one.response[1]),
    }


def _piece(one: PieceRound) -> dict[str, Any]:
    return {
        "offset_mm": rounded(one.offset_mm),
        "undersize_mm": rounded(one.undersize_mm),
        "undersize_standard_uncertainty_mm": rounded(one.u_undersize_mm),
        "offset_change_mm": rounded(one.asked_mm),
    }
