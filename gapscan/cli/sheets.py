"""``gapscan sheets``: from the recut drawing to the bed of the laser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.cli.sizes import Size
from gapscan.errors import InputError
from gapscan.text import printable

if TYPE_CHECKING:
    from gapscan.sheets.layout import Sheet, SheetPer

_PATH = click.Path(path_type=Path)
_LARGEST_BED_MM, _LARGEST_GAP_MM = 10_000.0, 100.0


@click.command("sheets")
@click.argument("folder", type=_PATH, metavar="DIR")
@click.option(
    "--sheet-per", type=click.Choice(["all", "material", "facing"]), default="all", show_default=True,
    help="One file for all pieces, or one for each material or facing.",
)  # fmt: skip
@click.option("--bed", type=Size(), default=(600.0, 300.0), help="Bed of the laser in mm.  [default: 600x300]")
@click.option("--gap", type=float, default=3.0, show_default=True, metavar="MM", help="Room between pieces.")
@click.option("--dxf", is_flag=True, help="Write DXF beside every SVG, and recut.dxf with all pieces in place.")
@click.option("--out", type=_PATH, default=None, help="Folder for the sheets.  [default: DIR/sheets]")
@click.option("--force", is_flag=True, help="Make the sheets of an earlier run anew.")
@click.option("--json", "as_json", is_flag=True, help="Print the list of sheets as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="Do not print the list.")
def command(
    *,
    folder: Path,
    sheet_per: SheetPer,
    bed: tuple[float, float],
    gap: float,
    dxf: bool,
    out: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Lay the pieces to recut out in rows on sheets of the bed's size, ready for the laser.

    DIR is a folder that inspect or plan wrote. Pieces to be cut show face down are mirrored. Nothing is turned, so that
    grain runs as in the design, unless one sheet holds grain in several directions: then all of it runs along the bed.
    Names stand in a group of their own, for marking. proof.svg shows every new outline over the old one, magnified.
    """
    import json

    from gapscan.sheets.layout import lay_out
    from gapscan.sheets.parts import read_parts
    from gapscan.sheets.proof import proof_svg
    from gapscan.sheets.sheet_svg import sheet_svg
    from gapscan.sheets.writer import check_room, sheet_list, write_sheets

    place = folder / "sheets" if out is None else out
    _check(bed, gap)
    parts = read_parts(folder)
    if not parts:
        if as_json:
            click.echo(json.dumps(sheet_list(()), indent=1))
        elif not quiet:
            click.echo(f"{folder}: no piece is to be cut again; no sheet was written.")
        return
    check_room(place, force=force)
    sheets = lay_out(parts, sheet_per=sheet_per, bed_mm=bed, gap_mm=gap)
    files = {f"{sheet.name}.svg": sheet_svg(sheet) for sheet in sheets}
    files["proof.svg"] = proof_svg(parts)
    if dxf:
        from gapscan.sheets.sheet_dxf import recut_dxf, sheet_dxf

        files |= {f"{sheet.name}.dxf": sheet_dxf(sheet) for sheet in sheets}
        files["recut.dxf"] = recut_dxf(parts)
    write_sheets(files, sheets, place, force=force)
    if as_json:
        click.echo(json.dumps(sheet_list(sheets), ensure_ascii=False, indent=1))
    elif not quiet:
        _tell(sheets, place)


def _tell(sheets: tuple[Sheet, ...], place: Path) -> None:
    from gapscan.sheets.sheet_svg import hints

    for sheet in sheets:
        names = ", ".join(one.part.id + (" (mirrored)" if one.mirrored else "") for one in sheet.placements)
        click.echo(printable(f"{sheet.name}: {names}"))
        for hint in hints(sheet):
            click.echo(f"  {hint}")
    click.echo(f"Sheets in {place}: look at proof.svg before you cut.")
    click.echo(
        "Laser: stay with it while it cuts, with extraction and an extinguisher at hand, and follow the machine's manual."
    )


def _check(bed: tuple[float, float], gap: float) -> None:
    if not all(0.0 < side <= _LARGEST_BED_MM for side in bed):
        raise InputError(f"--bed {bed[0]:g}x{bed[1]:g}: sides must be above 0 and up to {_LARGEST_BED_MM:g} mm")
    if not 0.0 <= gap <= _LARGEST_GAP_MM:
        raise InputError(f"--gap {gap:g}: must lie between 0 and {_LARGEST_GAP_MM:g} mm")
