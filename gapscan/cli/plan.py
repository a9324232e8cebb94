"""``gapscan plan``: another plan from what was measured, without photo and drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gapscan.errors import InputError
from gapscan.text import named, printable

if TYPE_CHECKING:
    from gapscan.job import Job, RecutFacing

_PATH = click.Path(path_type=Path)
_MOST = 12  # ids named in a refusal


@dataclass(frozen=True)
class Wishes:
    """What the command line asks for, as given. ``numbers`` are job keys with their values."""

    numbers: dict[str, float]
    facing: RecutFacing | None
    keep: tuple[str, ...]
    free: tuple[str, ...]
    cost: tuple[str, ...]


@click.command("plan")
@click.argument("folder", type=_PATH, metavar="DIR")
@click.option("--tolerance", type=float, default=None, metavar="MM", help="Accepted gap, as a mean over any 3 mm.")
@click.option("--aim", type=float, default=None, metavar="MM", help="Gap to leave at a recut seam.")
@click.option("--press", type=float, default=None, metavar="MM", help="Overlap that veneer takes up without harm.")
@click.option("--keep", multiple=True, metavar="PATTERN", help="Never recut these pieces (may be repeated).")
@click.option("--free", multiple=True, metavar="PATTERN", help="These may be recut after all (may be repeated).")
@click.option(
    "--facing", type=click.Choice(["any", "up", "down", "one"]), default=None,
    help="Facing of the pieces that may be recut.",
)  # fmt: skip
@click.option("--cost", multiple=True, metavar="'PATTERN=2'", help="What cutting these again costs against others.")
@click.option("--job", type=_PATH, default=None, help="Job file (TOML) in place of the stored settings.")
@click.option("--out", type=_PATH, default=None, help="Folder for the new plan; without it nothing is written.")
@click.option("-q", "--quiet", is_flag=True, help="Do not print the list.")
def command(
    *,
    folder: Path,
    tolerance: float | None,
    aim: float | None,
    press: float | None,
    keep: tuple[str, ...],
    free: tuple[str, ...],
    facing: RecutFacing | None,
    cost: tuple[str, ...],
    job: Path | None,
    out: Path | None,
    quiet: bool,
) -> None:
    """Plan the recuts anew from DIR/fit.json, with other settings; neither photo nor drawing is needed.

    DIR is a folder that inspect (or plan) wrote. An id wins over a pattern: --free '*' --keep p03 keeps p03 alone.
    """
    from gapscan.recut.advice import advise
    from gapscan.recut.causes import with_causes
    from gapscan.recut.plan import plan_from
    from gapscan.report.archive import replanned
    from gapscan.report.changes import plan_changes
    from gapscan.report.reread import known_at, read_record, recorded_causes, recorded_inspection
    from gapscan.report.writers import check_plan_writable, write_plan
    from gapscan.wood.words import with_movement

    source = folder / "fit.json"
    if out is not None:
        check_plan_writable(out)
    record, recorded = read_record(source)
    inspection = recorded_inspection(record, recorded, source=str(source))
    given, stored = recorded.given, recorded.job
    given_numbers = {"tolerance_mm": tolerance, "aim_mm": aim, "press_mm": press}
    wishes = Wishes({k: v for k, v in given_numbers.items() if v is not None}, facing, keep, free, cost)
    base, notes = (stored, ()) if job is None else _from_file(job, stored, given.ids, source)
    settled = settle(base, wishes, given.ids, source=str(source))
    if settled.tolerance_mm != stored.tolerance_mm:
        given = replace(given, known_fraction=known_at(inspection.survey, given.ids, settled))
    plan = with_causes(plan_from(given, settled), *recorded_causes(record, source=str(source)))
    plan = with_movement(replace(plan, advice=advise(plan, settled)), given, settled)
    inspection = replace(inspection, job=settled, plan=plan)
    if out is not None:
        write_plan(inspection, replanned(record, plan, settled, given), out)
    if not quiet:
        from gapscan.cli.console import output_console
        from gapscan.report.table import print_table

        console = output_console()
        print_table(inspection, console)
        for line in (*notes, *plan_changes(record, plan)):
            console.print(printable(line))
        if out is not None:
            click.echo(f"New plan in {out}: cut recut.svg. A page and a picture need the photo: inspect writes them.")


def settle(base: Job, wishes: Wishes, ids: tuple[str, ...], *, source: str) -> Job:
    """The settings to plan with: those of ``base``, changed by what the command line asks for.

    Raises InputError for figures out of range, patterns that name no piece, and pieces both kept and freed.
    """
    from gapscan.job import parse_job

    figures: dict[str, Any] = {name: getattr(base, name) for name in ("tolerance_mm", "aim_mm", "press_mm")}
    limits = parse_job({**figures, **wishes.numbers}, source="the settings")
    settings: list[tuple[str, dict[str, Any]]] = []
    for text in wishes.cost:
        pattern, sign, value = text.rpartition("=")
        try:
            factor = float(value)
        except ValueError:
            factor = float("nan")
        if not sign or math.isnan(factor):
            raise InputError(f"--cost {text}: is not a pattern and a number; write it as 'PATTERN=2'")
        parse_job({"pieces": {pattern: {"recut_cost": factor}}}, source=f"--cost {text}")
        settings.append((_known_pattern("--cost", pattern, ids, source), {"recut_cost": factor}))
    for exact in (False, True):  # the last match wins in a job: ids after patterns
        level = [
            (option, _known_pattern(option, text, ids, source), option == "--keep")
            for option, texts in (("--keep", wishes.keep), ("--free", wishes.free))
            for text in texts
            if (text in ids) == exact
        ]
        kept, freed = (_matched([p for _, p, keep in level if keep == wanted], ids) for wanted in (True, False))
        if kept & freed:
            raise InputError(
                f"--keep and --free both name {named(sorted(kept & freed), limit=_MOST)}; take one of them away"
            )
        settings += [(pattern, {"keep": keep}) for _, pattern, keep in level]
    return replace(
        base,
        tolerance_mm=limits.tolerance_mm,
        aim_mm=limits.aim_mm,
        press_mm=limits.press_mm,
        recut_facing=wishes.facing or base.recut_facing,
        pieces=(*base.pieces, *settings),
    )


def _from_file(path: Path, stored: Job, ids: tuple[str, ...], source: Path) -> tuple[Job, tuple[str, ...]]:
    """The settings of a job file, but for those that the measurement was made with, and a note where these differ."""
    from gapscan.job import read_job

    job = read_job(path)
    lost = job.unmatched(ids)
    if lost:
        raise InputError(
            f"{path}: no piece of {source} is named {named(lost, limit=_MOST)}; mend the name under [pieces]"
        )
    measured_with = ("view", "thickness_mm", "taper_deg", "tape", "check")
    others = [name for name in measured_with if getattr(job, name) != getattr(stored, name)]
    turned = [name for name in ids if job.settings(name).facing != stored.settings(name).facing]
    if turned:
        others.append(f"facing of {named(turned, limit=_MOST)}")
    notes: tuple[str, ...] = ()
    if others:
        words = ", ".join(others)
        notes = (
            f"Note: {path}: other settings than the photo was measured with ({words}) do not change what was measured; "
            "run gapscan inspect to measure with them.",
        )
    return replace(job, **{name: getattr(stored, name) for name in measured_with}), notes


def _known_pattern(option: str, text: str, ids: tuple[str, ...], source: str) -> str:
    """The pattern, so written that an id with brackets in it matches itself; refused when it matches nothing."""
    import glob

    pattern = glob.escape(text) if text in ids else text
    if not _matched([pattern], ids):
        raise InputError(f"{option} {text}: no piece of {source} is named so; its pieces are {named(ids, limit=_MOST)}")
    return pattern


def _matched(patterns: list[str], ids: tuple[str, ...]) -> set[str]:
    import fnmatch

    return {name for name in ids if any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns)}
