"""``gapscan pieces``: what was understood of a drawing, before anything is cut or photographed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.cli.options import drawing_options

if TYPE_CHECKING:
    from gapscan.design.reading import Way

_PATH = click.Path(path_type=Path)


@click.command("pieces")
@click.argument("design", type=_PATH)
@click.option("--out", type=_PATH, default=None, help="Folder for a picture of the pieces and a job file to fill in.")
@click.option(
    "--job", type=_PATH, default=None, help="Job file (TOML) to check against the drawing; none is written then."
)
@drawing_options
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def command(
    *, design: Path, out: Path | None, job: Path | None, units_per_inch: float, read_as: Way, as_json: bool
) -> None:
    """List the pieces of a drawing (SVG or DXF), their seams, and what was left out and why.

    With --out, write pieces.svg, a picture with every name, and job.toml, to be filled in. Files that are there
    already are never written over.
    """
    from gapscan.cli.console import output_console
    from gapscan.design.read import read_design
    from gapscan.job import read_job
    from gapscan.report.piece_files import write_piece_files
    from gapscan.report.piece_list import pieces_json, print_pieces

    settings = read_job(job)
    found = read_design(design, units_per_inch=units_per_inch, way=read_as)
    written = write_piece_files(found, out, job_too=job is None) if out is not None else ()
    if as_json:
        text = json.dumps(pieces_json(found, settings), ensure_ascii=False, allow_nan=False, indent=1)
        click.echo(text.encode("utf-8", errors="replace").decode("utf-8"))
        return
    print_pieces(found, settings, output_console())
    if written:
        click.echo(f"Written: {', '.join(str(path) for path in written)}")
