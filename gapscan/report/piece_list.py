"""What was understood of a drawing: a list for the terminal, the same as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from gapscan.design.flatten import CHORD_MM
from gapscan.design.materials import with_drawn_materials
from gapscan.design.types import Design, Seam
from gapscan.job import Job
from gapscan.text import printable

if TYPE_CHECKING:
    from rich.console import Console

_WIDE = 76  # columns from which a table reads better than stacked lines
SCHEMA = "gapscan.pieces/1"


@dataclass(frozen=True)
class PieceLine:
    """One piece as drawn; lengths in mm. ``material`` is the job's where it names one, else the drawing's."""

    id: str
    area_mm2: float
    width_mm: float
    height_mm: float
    material: str
    holes: int
    seams: int
    seam_length_mm: float


def piece_lines(design: Design, job: Job) -> tuple[PieceLine, ...]:
    """The list, in the design's order."""
    job = with_drawn_materials(job, design)
    of: dict[str, list[Seam]] = {piece.id: [] for piece in design.pieces}
    for seam in design.seams:
        for name in seam.pieces:
            of[name].append(seam)
    lines = []
    for piece in design.pieces:
        left, top, right, bottom = piece.polygon.bounds
        own = of[piece.id]
        lines.append(
            PieceLine(
                id=piece.id,
                area_mm2=piece.polygon.area,
                width_mm=right - left,
                height_mm=bottom - top,
                material=job.settings(piece.id).material,
                holes=len(piece.polygon.interiors),
                seams=len(own),
                seam_length_mm=sum(seam.length_mm for seam in own),
            )
        )
    return tuple(lines)


def pieces_json(design: Design, job: Job) -> dict[str, Any]:
    """The list as plain data; numbers rounded to the third decimal of a millimetre, as drawn curves are to 0.005 mm."""
    pieces = [
        {key: round(value, 3) if isinstance(value, float) else value for key, value in asdict(line).items()}
        for line in piece_lines(design, job)
    ]
    return {
        "schema": SCHEMA,
        "drawing": design.source,
        "read_as": design.reading,
        "units": design.units,
        "within_mm": CHORD_MM,
        "pieces": pieces,
        "seams": [{"id": s.id, "pieces": list(s.pieces), "length_mm": round(s.length_mm, 3)} for s in design.seams],
        "notes": list(design.notes),
    }


def print_pieces(design: Design, job: Job, console: Console) -> None:
    """Print the list, then what was left out or mended and how the drawing was read."""
    lines = piece_lines(design, job)
    header = ("piece", "area, mm²", "size, mm", "material", "seams", "seam length, mm")
    rows = [
        (
            line.id,
            f"{line.area_mm2:.1f}",
            f"{line.width_mm:.2f} × {line.height_mm:.2f}",
            line.material or "-",
            str(line.seams),
            f"{line.seam_length_mm:.1f}",
        )
        for line in lines
    ]
    _print_rows(console, header, rows)
    console.print()
    alone = [line.id for line in lines if not line.seams]
    if alone and len(lines) > 1:
        shown = ", ".join(alone[:12]) + (f" and {len(alone) - 12} more" if len(alone) > 12 else "")
        print_text(console, f"Without a seam to any other piece: {shown}.")
    for note in design.notes:
        print_text(console, f"Note: {note}.")
    for pattern in job.unmatched(tuple(line.id for line in lines)):
        print_text(console, f"Note: the job's [pieces.{pattern}] matches no piece.")
    total, seam = sum(line.area_mm2 for line in lines), sum(s.length_mm for s in design.seams)
    print_text(
        console,
        f"{_count(len(lines), 'piece')}, {total:.0f} mm²; {_count(len(design.seams), 'seam')}, {seam:.1f} mm in all. "
        f"Read as {design.reading}, {design.units}; curves followed within {CHORD_MM} mm.",
        "bold",
    )


def print_text(console: Console, text: str, style: str = "") -> None:
    """Text as it stands: no markup, no control characters, so that ids cannot steer the terminal."""
    from rich.text import Text

    console.print(Text(printable(text), style=style))


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _print_rows(console: Console, header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.table import Table
    from rich.text import Text

    if console.width < _WIDE:
        for piece, area, size, material, seams, length in rows:
            print_text(console, f"{piece}: {size} mm, {area} mm²")
            print_text(console, f"  material {material}; {_count(int(seams), 'seam')}, {length} mm")
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for number, name in enumerate(header):
        table.add_column(Text(name), overflow="fold", justify="right" if number in (1, 4, 5) else "left")
    for row in rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    console.print(table)
