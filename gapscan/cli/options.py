"""Options that more than one command has."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Command = Callable[..., Any]


def drawing_options(command: Command) -> Command:
    """``--units-per-inch`` and ``--read-as``: how a drawing is meant."""
    read_as = click.option(
        "--read-as", type=click.Choice(["auto", "shapes", "lines"]), default="auto", show_default=True,
        help="The drawing is of closed shapes, one a piece, or of lines, whose faces are the pieces.",
    )  # fmt: skip
    units = click.option(
        "--units-per-inch", "--dpi", "units_per_inch", type=click.FloatRange(1.0, 100_000.0), default=96.0,
        show_default=True, help="What px in an SVG without a size in mm or inches are to the inch; older files have 72.",
    )  # fmt: skip
    return units(read_as(command))


def book_option(command: Command) -> Command:
    """``--book``: the notebook's file."""
    return click.option(
        "--book", type=click.Path(path_type=Path), default=None, metavar="FILE",
        help="The notebook's file.  [default: $GAPSCAN_BOOK, or book.sqlite in your data folder]",
    )(command)  # fmt: skip
