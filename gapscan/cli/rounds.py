"""``gapscan rounds``: the history of a job over its rounds."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.errors import InputError
from gapscan.text import printable

if TYPE_CHECKING:
    from gapscan.rounds.history import History

_PATH = click.Path(path_type=Path)
_WIDE = 76  # columns from which a table reads better than stacked lines


@click.command("rounds")
@click.argument("folders", type=_PATH, nargs=-1, required=True, metavar="DIR...")
@click.option("--out", type=_PATH, default=None, metavar="SVG", help="Draw gaps and sizes by round, as rounds.svg.")
@click.option("--json", "as_json", is_flag=True, help="Print the history as JSON in place of the list.")
def command(*, folders: tuple[Path, ...], out: Path | None, as_json: bool) -> None:
    """Tell what each round of one job found, and what became of each piece that was recut.

    Each DIR is the result folder of one round; inspect --after chained them. Their order does not matter.
    """
    from gapscan.rounds.history import read_history
    from gapscan.rounds.tell import history_json

    if out is not None:
        _refuse_unwritable(out)
    history = read_history(folders)
    if out is not None:
        from gapscan.rounds.chart import chart_svg

        _write(chart_svg(history), out)
    if as_json:
        click.echo(json.dumps(history_json(history), allow_nan=False, ensure_ascii=False, indent=1))
        return
    _print(history)
    if out is not None:
        click.echo(f"Drawn in {out}.")


def _print(history: History) -> None:
    from rich.table import Table
    from rich.text import Text

    from gapscan.cli.console import output_console
    from gapscan.rounds.tell import ROUND_HEADER, piece_lines, round_rows

    console = output_console()
    rows = round_rows(history)
    if console.width >= _WIDE:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for name in ROUND_HEADER:
            table.add_column(Text(name), overflow="fold")
        for row in rows:
            table.add_row(*(Text(printable(cell)) for cell in row))
        console.print(table)
    else:
        for row in rows:
            for name, cell in zip(ROUND_HEADER, row, strict=True):
                console.print(Text(printable(f"{name}: {cell}")))
    console.print()
    for line in piece_lines(history):
        console.print(Text(printable(line)))
    if not history.pieces:
        console.print("No round asked for a recut.")
    console.print("± is one standard uncertainty; lengths in mm.")


def _refuse_unwritable(out: Path) -> None:
    """Before the reading: a drawing has a file's name in a folder that is there."""
    if out.is_dir():
        raise InputError(f"{out}: is a folder; give --out the name of a drawing, such as rounds.svg")
    if out.suffix.lower() != ".svg":
        raise InputError(f"{out}: the drawing is SVG; give --out a name that ends in .svg")
    if not out.parent.is_dir():
        raise InputError(f"{out.parent}: is no folder; make it first or give another --out")


def _write(text: str, out: Path) -> None:
    """Whole or not at all: beside its place first."""
    import os
    import secrets

    staging = out.parent / f".{out.name}-{secrets.token_hex(4)}"
    try:
        staging.write_text(text, encoding="utf-8", errors="replace", newline="\n")
        os.replace(staging, out)
    except OSError as err:
        raise InputError(f"{out}: cannot be written ({err.strerror or err}); give another --out") from err
    finally:
        staging.unlink(missing_ok=True)
