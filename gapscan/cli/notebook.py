"""``gapscan notebook``: the shop's record of what its cuts lose."""

from __future__ import annotations

import json
from pathlib import Path

import click

from gapscan.cli.options import book_option
from gapscan.text import printable

_PATH = click.Path(path_type=Path)


@click.group("notebook")
def command() -> None:
    """Keep what every inspected piece lost at the cut, so that the next job starts closer.

    The notebook is one file (an SQLite database): wood, thickness, facing and the settings noted under [cut] in the job
    file, with the loss that was measured. Nothing leaves this machine.
    """


@command.command("add")
@click.argument("folders", type=_PATH, nargs=-1, required=True, metavar="DIR...")
@book_option
@click.option("--replace", "replace_old", is_flag=True, help="Take the place of an entry of the same photos.")
def add(*, folders: tuple[Path, ...], book: Path | None, replace_old: bool) -> None:
    """Add inspected dry fits: folders that inspect wrote. All are added, or none."""
    from gapscan.notebook.book import add_entries
    from gapscan.notebook.entries import read_entry
    from gapscan.notebook.place import book_path

    path = book_path(book)
    records = [read_entry(folder) for folder in folders]
    for done, record in zip(add_entries(path, records, replace_old=replace_old), records, strict=True):
        seen = len(record.seen)
        said = {
            "added": f"added as entry {done.entry}: {seen} of {len(record.pieces)} pieces with a figure",
            "replaced": f"entry {done.entry} replaced: {seen} of {len(record.pieces)} pieces with a figure",
            "already there": f"is entry {done.entry} already",
            "same measurement": f"the same photos are entry {done.entry} already; --replace puts this in its place",
        }[done.outcome]
        click.echo(f"{printable(done.folder)}: {said}")
    click.echo(f"Notebook: {path}")


@command.command("list")
@book_option
@click.option("--json", "as_json", is_flag=True, help="Print every entry with its pieces as JSON.")
def list_entries(*, book: Path | None, as_json: bool) -> None:
    """List the dry fits in the notebook, the loss of their pieces in short."""
    from gapscan.notebook.book import read_book
    from gapscan.notebook.place import book_path
    from gapscan.notebook.words import book_table, entry_loss, settings_words

    path = book_path(book)
    entries = read_book(path)
    if as_json:
        click.echo(json.dumps(book_table(entries), ensure_ascii=False, indent=1))
        return
    for number, record in entries:
        loss = entry_loss(record)
        told = "no piece seen" if loss is None else f"loss {loss[0]:.3f} mm, two thirds within ± {loss[1]:.3f}"
        woods = sorted({piece.material or "unnamed wood" for piece in record.pieces})
        click.echo(
            f"{number}  {record.date}  {printable(record.design)}: {len(record.seen)} of {len(record.pieces)} pieces seen, {told}"
        )
        click.echo(
            f"   {record.thickness_mm:g} mm {printable(', '.join(woods))}; {printable(settings_words(record.settings))}"
        )
    click.echo(f"{len(entries)} dry fit{'s' if len(entries) != 1 else ''} in {path}")


@command.command("export")
@book_option
@click.option("--out", type=_PATH, required=True, help="File to write: .csv, one line a piece, or .json.")
def export(*, book: Path | None, out: Path) -> None:
    """Write the whole notebook for a spreadsheet (.csv) or a program (.json)."""
    import csv
    import io

    from gapscan.cli.frame import write_text
    from gapscan.errors import InputError
    from gapscan.notebook.book import read_book
    from gapscan.notebook.place import book_path
    from gapscan.notebook.words import book_rows, book_table

    if out.suffix.lower() not in (".csv", ".json"):
        raise InputError(f"{out}: must end in .csv or .json; give --out such a name")
    if out.exists():
        raise InputError(f"{out}: is there already; give --out another name, or move it away")
    entries = read_book(book_path(book))
    if out.suffix.lower() == ".json":
        write_text(out, json.dumps(book_table(entries), ensure_ascii=False, indent=1) + "\n")
    else:
        header, rows = book_rows(entries)
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(header)
        writer.writerows([[_cell(value) for value in row] for row in rows])
        write_text(out, text.getvalue())
    pieces = sum(len(record.pieces) for _, record in entries)
    click.echo(f"{out}: {pieces} pieces of {len(entries)} dry fits")


def _cell(value: object) -> object:
    """A spreadsheet takes text that begins with one of these for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value
