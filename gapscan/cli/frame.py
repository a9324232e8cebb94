"""``gapscan frame``: write the scale frame."""

from __future__ import annotations

import os
from pathlib import Path

import click

from gapscan.cli.sizes import Size
from gapscan.errors import InputError


@click.command("frame")
@click.option("--opening", type=Size(), required=True, help="Opening for the assembly, such as 200x140.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Drawing to write: frame.svg.")
@click.option(
    "--strips", type=Size(), default=None,
    help="Make the frame of strips that fit on sheets of this size in mm, such as 300x200.",
)  # fmt: skip
def command(*, opening: tuple[float, float], out: Path, strips: tuple[float, float] | None) -> None:
    """Write the scale frame: an opaque card with an opening for the assembly.

    Cut (or print) it once; lay it round every dry fit. Let the opening leave about 5 mm of bare light all
    round.
    """
    from gapscan.photo import frame
    from gapscan.photo.strips import frame_strip_sheets

    whole = frame.frame_svg(*opening)
    sheets = [] if strips is None else frame_strip_sheets(*opening, sheet_mm=strips)
    write_text(out, whole)
    click.echo(f"{out}: frame with an opening of {opening[0]:g} x {opening[1]:g} mm; keep this file, inspect needs it")
    for number, sheet in enumerate(sheets, 1):
        part = out.with_name(f"{out.stem}-strips-{number}.svg")
        write_text(part, sheet)
        click.echo(f"{part}: strips to cut from one sheet of {max(strips or (0,)):g} x {min(strips or (0,)):g} mm")


def write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all. Raises InputError naming the file."""
    if not path.name or path.is_dir():
        raise InputError(f"{path}: is a folder; give --out the name of a file in it, such as frame.svg")
    staging = path.with_name(f".{path.name}.part")
    try:
        staging.write_text(text, encoding="utf-8", newline="\n")
        os.replace(staging, path)
    except OSError as err:
        staging.unlink(missing_ok=True)
        reason = err.strerror or err
        raise InputError(f"{path}: cannot be written ({reason}); give --out another place") from err
