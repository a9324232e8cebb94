"""``gapscan compare``: two cuts of one drawing, set against each other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.errors import InputError
from gapscan.text import printable

if TYPE_CHECKING:
    from rich.console import Console

    from gapscan.trials.types import Comparison

_PATH = click.Path(path_type=Path)


@click.command("compare")
@click.argument("first", type=_PATH, metavar="DIR_A")
@click.argument("second", type=_PATH, metavar="DIR_B")
@click.option(
    "--worth", type=float, default=0.02, show_default=True, metavar="MM",
    help="Difference of the loss an edge that would matter.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON and nothing else.")
@click.option("--out", type=_PATH, default=None, metavar="FILE.svg", help="Draw the intervals as a picture, too.")
def command(*, first: Path, second: Path, worth: float, as_json: bool, out: Path | None) -> None:
    """Say whether B was cut with less loss than A: other settings, another facing, another sheet.

    DIR_A and DIR_B are folders that inspect wrote, of two dry fits of the same drawing. Every difference is B less A,
    piece by piece; the offsets that the pieces were cut with are taken out.
    """
    from gapscan.trials.compare import compare
    from gapscan.trials.trial import read_trial
    from gapscan.trials.words import as_data

    if first.resolve() == second.resolve():
        raise InputError(f"{second}: the same folder is given twice; give the results of two dry fits")
    if not 0.001 <= worth <= 1.0:  # also what is no number
        raise InputError(f"--worth {worth:g}: is out of range; it must lie between 0.001 and 1 mm")
    if out is not None and out.suffix.lower() != ".svg":
        raise InputError(f"{out}: the picture is an SVG file; give --out a name that ends in .svg")
    found = compare(read_trial(first), read_trial(second), worth_mm=worth)
    if out is not None:
        _write(found, out)
    if as_json:
        import json

        click.echo(json.dumps(as_data(found), allow_nan=False, ensure_ascii=True, indent=1))
        return
    from gapscan.cli.console import output_console

    _print(found, output_console())
    if out is not None:
        click.echo(f"Picture in {out}.")


def _write(found: Comparison, out: Path) -> None:
    """Whole or not at all: made beside the file and put in place. Raises InputError."""
    import os
    import secrets

    from gapscan.trials.picture import comparison_svg

    if out.is_dir():
        raise InputError(f"{out}: is a folder; give --out the name of a file")
    beside = out.with_name(f".{out.name}-{secrets.token_hex(4)}")
    try:
        beside.write_text(comparison_svg(found), encoding="utf-8", errors="replace")
        os.replace(beside, out)
    except OSError as err:
        beside.unlink(missing_ok=True)
        raise InputError(f"{out}: cannot be written ({err.strerror or err}); give another --out") from err


def _print(found: Comparison, console: Console) -> None:
    from rich.table import Table
    from rich.text import Text

    from gapscan.trials.words import finding_words, interval_words, lines, signed

    a, b = (printable(name) for name in found.names)
    console.print(
        Text(f"A: {a}   B: {b}   The offsets they were cut with are taken out; ± is one standard uncertainty.")
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("pieces", "number", "an edge loses in B", "interval", "B leaves"):
        table.add_column(Text(name), overflow="fold")
    for group in (found.whole, *found.groups):
        one = group.estimate
        name = group.name if group.kind in ("all", "size") else f"{group.kind}: {group.name}"
        row = (name, "0", "not seen in both", "", "")
        if one is not None:
            row = (name, str(one.count), signed(one), interval_words(one), finding_words(group))
        table.add_row(*(Text(printable(cell)) for cell in row))
    console.print(table)
    *others, last = lines(found)
    for line in others:
        console.print(Text(printable(line)))
    console.print(Text(printable(last), style="bold"))
