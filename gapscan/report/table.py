"""The list in the terminal, as read at the bench: what to do first, then what to know."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from gapscan.report.findings import Findings, find
from gapscan.report.types import Inspection
from gapscan.text import named, printable

if TYPE_CHECKING:
    from rich.console import Console

_WIDE = 76  # columns from which a table reads better than stacked lines
_MOST = 12  # unsure pieces, ids or notes shown before "and more"


def print_table(inspection: Inspection, console: Console) -> None:
    """Print the recut list, the re-seat list, the unsure pieces, what was not seen, and a one-line summary."""
    found = find(inspection)
    for line in () if inspection.news is None else inspection.news.lines:
        _print(console, line, "")
    if inspection.news is not None:
        console.print()
    for sentence in found.advice:
        _print(console, f"{sentence}.", "")
    if found.advice:
        console.print()
    _print_list(
        console, "Recut", "bold red",
        ("piece", "outline", "widest gap, mm", "why"),
        [(line.id, line.change, _bare(line.widest), line.cause) for line in found.recuts],
    )  # fmt: skip
    _print_list(
        console, "Re-seat (size is right; move when you tape it again, as drawn)", "bold cyan",
        ("piece", "move", "widest gap, mm"),
        [(line.id, line.move, _bare(line.widest)) for line in found.reseats],
    )  # fmt: skip
    _print_list(
        console, "Unsure (photograph these again)", "bold yellow",
        ("piece", "seen", "widest gap, mm", "why"),
        [(line.id, line.seen, _bare(line.widest), line.cause) for line in found.unsure[:_MOST]],
    )  # fmt: skip
    if len(found.unsure) > _MOST:
        _print(console, f"… and {len(found.unsure) - _MOST} more unsure pieces, listed in report.html", "")
    for settle in dict.fromkeys(line.settle for line in found.unsure[:1] if line.settle):
        _print(console, f"For {found.unsure[0].id}: {settle}, would tell. report.html says so of each.", "")
    _print_unseen(console, found)
    if not found.feasible:
        seams = named(found.blocking_seams, limit=_MOST)
        _print(console, f"No allowed recut closes every seam. Still over {_tolerance(inspection)}: {seams}.", "bold")
    for check in found.checks:
        _print(console, f"{check}.", "")
    for caution in found.cautions[:_MOST]:
        _print(console, f"Note: {caution}", "")
    if len(found.cautions) > _MOST:
        _print(console, f"… and {len(found.cautions) - _MOST} more notes in fit.json", "")
    if found.outlook:
        _print(console, found.outlook, "")
    _print(console, f"{found.headline} Tolerance {_tolerance(inspection)}; ± is one standard uncertainty.", "bold")


def _print_list(console: Console, title: str, style: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    if not rows:
        return
    from rich.table import Table
    from rich.text import Text

    _print(console, title, style)
    if console.width >= _WIDE:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for number, name in enumerate(header):
            table.add_column(Text(name), overflow="fold", min_width=6 if number else 4)
        for row in rows:
            table.add_row(*(Text(printable(cell)) for cell in row))
        console.print(table)
    else:
        for piece, action, *others in rows:
            _print(console, f"{piece}: {action}", "")
            for name, text in zip(header[2:], others, strict=True):
                _print(console, f"  {name}: {text}", "")
    console.print()


def _print_unseen(console: Console, found: Findings) -> None:
    if found.unseen:
        reasons = ", ".join(f"{length} {why}" for why, length in found.unseen)
        _print(console, f"Not seen: {reasons}.", "")
    if found.dark_seams:
        _print(console, f"Seams of which nothing was seen: {named(found.dark_seams, limit=_MOST)}.", "")


def _print(console: Console, text: str, style: str) -> None:
    """Text as it stands: no markup, no emoji codes, so that ids cannot restyle the list."""
    from rich.text import Text

    console.print(Text(printable(text), style=style))


def _bare(words: str) -> str:
    return words.replace(" mm", "", 1)


def _tolerance(inspection: Inspection) -> str:
    return f"{inspection.job.tolerance_mm:.2f} mm"
