"""What the notebook and its suggestions say to a person: lines of text, and plain data for ``--json``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gapscan.notebook.forecast import Forecast
from gapscan.notebook.starting import PieceStart, Start
from gapscan.notebook.types import JobRecord, PieceRecord, Settings

_FEW = 3


def settings_words(settings: Settings) -> str:
    """``power 60, speed 12``; a dash where none are noted."""
    return (
        ", ".join(f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}" for name, value in settings)
        or "–"
    )


def entry_loss(record: JobRecord) -> tuple[float, float] | None:
    """Median loss of an entry's pieces, and half of what holds the middle two thirds of them; None when none was seen."""
    losses = sorted(piece.loss_mm for piece in record.seen if piece.loss_mm is not None)
    if not losses:
        return None

    def quantile(q: float) -> float:
        at = q * (len(losses) - 1)
        low = math.floor(at)
        return losses[low] + (at - low) * (losses[min(low + 1, len(losses) - 1)] - losses[low])

    return quantile(0.5), (quantile(5 / 6) - quantile(1 / 6)) / 2


def reason(piece: PieceStart, told: Forecast) -> str:
    """Why this offset, in a few words."""
    like = piece.likeness
    if told.used == 0:
        return "no record yet: leave it as drawn" if piece.given_mm == 0 else "no record yet: as the job file has it"
    if piece.kept:
        return "kept by the job file"
    if like.alike >= _FEW:
        basis = f"{like.alike} pieces of {piece.material or 'unnamed wood'} cut so"
    elif like.material >= _FEW:
        basis = f"{like.material} pieces of {piece.material or 'unnamed wood'}, with other settings or thickness"
    else:
        basis = f"other woods only ({like.every} pieces): less sure"
    if piece.left:
        return (
            f"leave it {'as drawn' if piece.given_mm == 0 else 'as it is'}: the hairline is expected to hold; {basis}"
        )
    return basis


def told_words(told: Forecast) -> str:
    """What the whole suggestion rests on."""
    if told.used == 0:
        return "The notebook holds no piece to learn from: pieces are left as they are, and nothing is promised of the gaps."
    left_out = []
    if told.faults:
        left_out.append(f"{told.faults} far off the others")
    if told.vague:
        left_out.append(f"{told.vague} hardly seen")
    without = f" ({', '.join(left_out)} left out)" if left_out else ""
    return (
        f"From {told.used} pieces of {told.entries} dry fit{'s' if told.entries != 1 else ''}{without}; "
        f"like pieces differ by {told.repeat_mm:.3f} mm, jobs by {told.job_mm:.3f} mm (standard deviations)."
    )


def start_table(start: Start) -> dict[str, Any]:
    """A suggestion as plain data: lengths in mm, null where there is nothing to say."""
    told = start.told
    return {
        "schema": "gapscan.suggest/1",
        "units": "mm",
        "pieces_used": told.used,
        "dry_fits_used": told.entries,
        "pieces": [
            {
                "id": piece.piece,
                "offset_mm": piece.offset_mm,
                "given_offset_mm": piece.given_mm,
                "leave": piece.left,
                "expected_loss_mm": round(piece.loss_mm, 4),
                "standard_uncertainty_mm": round(piece.u_loss_mm, 4),
                "chance_as_given": _chance(piece.chance_given),
                "chance": _chance(piece.chance),
                "reason": reason(piece, told),
            }
            for piece in start.pieces
        ],
        "seams": [
            {
                "id": seam.seam,
                "expected_gap_as_given_mm": round(seam.gap_given_mm, 4),
                "expected_gap_mm": round(seam.gap_mm, 4),
                "standard_uncertainty_mm": round(seam.u_gap_mm, 4),
                "chance_as_given": _chance(seam.chance_given),
                "chance": _chance(seam.chance),
            }
            for seam in start.seams
        ],
    }


def book_table(book: Sequence[tuple[int, JobRecord]]) -> dict[str, Any]:
    """The whole notebook as plain data."""
    return {
        "schema": "gapscan.notebook/1",
        "units": "mm",
        "entries": [
            {
                "entry": entry,
                "design": record.design,
                "folder": record.folder,
                "date": record.date,
                "sha256": record.sha256,
                "thickness_mm": record.thickness_mm,
                "taper_deg": record.taper_deg,
                "settings": dict(record.settings),
                "pieces": [_piece(piece) for piece in record.pieces],
            }
            for entry, record in book
        ],
    }


PIECE_COLUMNS = (
    "piece", "material", "facing", "offset_mm", "loss_mm", "u_mm", "bend_mm", "u_bend_mm", "seen_fraction", "area_mm2",
    "perimeter_mm", "curvature",
)  # fmt: skip


def _piece(piece: PieceRecord) -> dict[str, Any]:
    values = {name: getattr(piece, name) for name in PIECE_COLUMNS}
    return {name: round(value, 5) if isinstance(value, float) else value for name, value in values.items()}


def book_rows(book: Sequence[tuple[int, JobRecord]]) -> tuple[list[str], list[list[Any]]]:
    """Header and one row a piece, for a spreadsheet; an empty cell for what was not seen."""
    names = sorted({name for _, record in book for name, _ in record.settings})
    header = [
        "entry",
        "design",
        "date",
        "thickness_mm",
        "taper_deg",
        *(f"cut.{name}" for name in names),
        *PIECE_COLUMNS,
    ]
    rows = []
    for entry, record in book:
        settings = dict(record.settings)
        given = [entry, record.design, record.date, record.thickness_mm, record.taper_deg]
        noted = [settings.get(name) for name in names]
        rows += [[*given, *noted, *_piece(piece).values()] for piece in record.pieces]
    return header, rows


def _chance(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
