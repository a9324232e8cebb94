"""``gapscan suggest``: offsets to start a new design with, from the notebook."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.cli.options import book_option
from gapscan.errors import InputError
from gapscan.text import named, printable

if TYPE_CHECKING:
    from gapscan.notebook.starting import Start

_PATH = click.Path(path_type=Path)


@click.command("suggest")
@click.argument("design", type=_PATH)
@click.option("--job", type=_PATH, default=None, help="Job file (TOML): woods, thickness, facing, settings of the cut.")
@book_option
@click.option(
    "--out", type=_PATH, default=None, help="New job file with the offsets in it; never written over another."
)
@click.option("--json", "as_json", is_flag=True, help="Print the suggestion as JSON.")
def command(*, design: Path, job: Path | None, book: Path | None, out: Path | None, as_json: bool) -> None:
    """Suggest the outward offset to cut each piece of DESIGN with, by what earlier pieces lost.

    A piece whose hairline is expected to hold is left as drawn. ± is one standard uncertainty of the expected loss; the
    chance is that all seams of the piece come out within limits. Without a record nothing is changed.
    """
    import json

    from gapscan.design.materials import with_drawn_materials
    from gapscan.design.read import read_design
    from gapscan.job import read_job
    from gapscan.notebook.book import read_book
    from gapscan.notebook.place import book_path
    from gapscan.notebook.starting import starting_offsets
    from gapscan.notebook.words import start_table

    settings = read_job(job)
    drawing = read_design(design)
    lost = settings.unmatched(tuple(piece.id for piece in drawing.pieces))
    if lost:
        raise InputError(f"{job}: no piece of {design} is named {named(lost)}; mend the name under [pieces]")
    if out is not None and (out.exists() or not out.name):
        raise InputError(f"{out}: is there already; give --out the name of a new file")
    settings = with_drawn_materials(settings, drawing)
    path = book_path(book)
    start = starting_offsets(drawing, settings, read_book(path) if path.exists() or book is not None else ())
    if out is not None:
        _write(out, job, start)
    if as_json:
        click.echo(json.dumps(start_table(start), ensure_ascii=False, indent=1))
    else:
        _tell(start, out)


def _write(out: Path, job: Path | None, start: Start) -> None:
    from gapscan.cli.frame import write_text
    from gapscan.notebook.job_text import with_offsets

    text = "" if job is None else job.read_bytes().decode("utf-8-sig")
    changed = with_offsets(text, {piece.piece: piece.offset_mm for piece in start.pieces}, source=str(job or out))
    write_text(out, changed)


def _tell(start: Start, out: Path | None) -> None:
    from rich.table import Table
    from rich.text import Text

    from gapscan.cli.console import output_console
    from gapscan.notebook.words import reason, told_words

    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("piece", "offset, mm", "expected loss, mm", "chance", "why"):
        table.add_column(name, overflow="fold")
    changed = [piece for piece in start.pieces if not piece.left]
    left = [piece for piece in start.pieces if piece.left]
    for piece in changed:
        chance = "–" if piece.chance is None else f"{100 * piece.chance:.0f} %"
        words = (
            piece.piece,
            f"{piece.offset_mm:+.3f}" if piece.offset_mm else "0",
            f"{piece.loss_mm:.3f} ± {piece.u_loss_mm:.3f}",
            chance,
            reason(piece, start.told),
        )
        table.add_row(*(Text(printable(word)) for word in words))
    console = output_console()
    if changed:
        console.print(table)
    alike: dict[str, list[str]] = {}
    for piece in left:
        alike.setdefault(reason(piece, start.told), []).append(piece.piece)
    for why, names in alike.items():
        console.print(printable(f"{', '.join(names)}: {why}"))
    console.print(told_words(start.told))
    if changed:
        console.print(
            f"Change the offset of {len(changed)} of {len(start.pieces)} pieces; ± is one standard uncertainty. "
            "Try one piece of each wood before you cut all."
        )
    if out is not None:
        console.print(f"Job file with these offsets: {out}")
