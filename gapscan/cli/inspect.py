"""``gapscan inspect``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.cli.options import drawing_options
from gapscan.errors import InputError

if TYPE_CHECKING:
    from gapscan.design.reading import Way
    from gapscan.report.types import Inspection

_PATH = click.Path(path_type=Path)


@click.command("inspect")
@click.argument("design", type=_PATH)
@click.argument("photos", type=_PATH, nargs=-1, required=True, metavar="PHOTO...")
@click.option("--frame", type=_PATH, required=True, help="Drawing of the scale frame in the photos.")
@click.option("--job", type=_PATH, default=None, help="Job file (TOML): tolerance, sheet, facing of pieces.")
@click.option("--bare", type=_PATH, default=None, help="Photo of the empty lightbox, same place and exposure.")
@click.option("--after", type=_PATH, default=None, metavar="DIR", help="Result folder of the round before (see above).")
@drawing_options
@click.option("--out", type=_PATH, required=True, help="Folder for the results.")
@click.option("--gate", is_flag=True, help="End with 1 when at least one piece needs a recut.")
@click.option("-q", "--quiet", is_flag=True, help="Print neither progress nor the list.")
def command(
    *,
    design: Path,
    photos: tuple[Path, ...],
    frame: Path,
    job: Path | None,
    bare: Path | None,
    after: Path | None,
    units_per_inch: float,
    read_as: Way,
    out: Path,
    gate: bool,
    quiet: bool,
) -> int:
    """Measure every seam of one taped dry fit and say which pieces to recut.

    DESIGN is the drawing that the pieces were cut from (SVG or DXF); each PHOTO shows the same dry fit on the
    lightbox, inside the scale frame. Several photos, the sheet moved or turned between them, see more.

    --after DIR names the results of the round before, when some pieces have been recut as advised there and the fit has
    been taped again: each seam and piece is held against it, and the new advice allows for how much of an asked change
    the cut gave. What the pieces were cut with comes from the records then: offset_mm of the first round's job and all
    changes asked since; a piece whose size says that it was not recut keeps its own. An offset_mm of the job file that is
    the new total says the same; one of an earlier round gives way to the records, any other wins over them, and a line
    says so. Without --job the settings of the round before hold, but for the tape.
    """
    inspection = inspect_and_report(
        design=design,
        photos=photos,
        frame=frame,
        job=job,
        bare=bare,
        after=after,
        units_per_inch=units_per_inch,
        read_as=read_as,
        out=out,
        quiet=quiet,
    )
    recuts = any(decision.verdict == "recut" for decision in inspection.plan.decisions)
    return 1 if gate and recuts else 0


def inspect_and_report(
    *,
    design: Path,
    photos: tuple[Path, ...],
    frame: Path,
    job: Path | None,
    out: Path,
    quiet: bool,
    bare: Path | None = None,
    after: Path | None = None,
    units_per_inch: float = 96.0,
    read_as: Way = "auto",
) -> Inspection:
    """Run the whole way, write the result folder and print the list. Raises InputError and PhotoError."""
    from gapscan.cli.console import output_console, progress
    from gapscan.pipeline import inspect
    from gapscan.report.table import print_table
    from gapscan.report.writers import check_writable, write_outputs

    _refuse_repeats(photos, bare)
    if after is not None and after.resolve() == out.resolve():
        raise InputError(f"{out}: holds the round before, which the results would replace; give --out a new folder")
    check_writable(out)
    with progress(quiet=quiet) as say:
        inspection: Inspection = inspect(
            design,
            photos,
            frame,
            job,
            progress=say,
            bare_path=bare,
            after_path=after,
            units_per_inch=units_per_inch,
            read_as=read_as,
        )
        say("writing the results")
        write_outputs(inspection, out)
    if not quiet:
        print_table(inspection, output_console())
        click.echo(f"Results in {out}: open report.html, cut recut.svg.")
    return inspection


def _refuse_repeats(photos: tuple[Path, ...], bare: Path | None) -> None:
    """One photo given twice would pass for two readings and make every figure look surer than it is."""
    seen: set[Path] = set()
    for path in photos:
        if path.resolve() in seen:
            raise InputError(f"{path}: the same photo is given twice; name each photo once")
        seen.add(path.resolve())
    if bare is not None and bare.resolve() in seen:
        raise InputError(f"{bare}: given as a photo of the dry fit and with --bare; --bare wants the lightbox empty")
