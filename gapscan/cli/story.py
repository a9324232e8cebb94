"""The demonstration told to its end: sheets, the recut, the second look, the history, the notebook, the next drawing."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gapscan.errors import InputError

if TYPE_CHECKING:
    from gapscan.report.types import Inspection

# What the story adds to the example.
STORY_FILES = ("sheets", "round-2", "next", "rounds.svg", "shop.sqlite")
_SEED = 21


def tell_story(folder: Path, inspection: Inspection, *, quiet: bool, say: Callable[[str], None]) -> None:
    """Go on from the inspected example in ``folder``; every step is a command that a maker would give.

    Raises InputError when a file cannot be written.
    """
    _clear(folder)
    _step(["sheets", folder / "result", "--sheet-per", "facing", "--bed", "300x200", "--out", folder / "sheets"], quiet)
    say("simulating the second photo")
    _write_round(folder, inspection)
    design, frame, job = (folder / name for name in ("design.svg", "frame.svg", "job.toml"))
    first, second = folder / "result", folder / "round-2" / "result"
    photo = folder / "round-2" / "photo.jpg"
    _step(["inspect", design, photo, "--frame", frame, "--job", job, "--after", first, "--out", second], quiet)
    _step(["rounds", first, second, "--out", folder / "rounds.svg"], quiet)
    book = folder / "shop.sqlite"
    _step(["notebook", "add", first, second, "--book", book], quiet)
    new = folder / "next"
    _step(
        ["suggest", new / "design.svg", "--job", new / "job.toml", "--book", book, "--out", new / "job-suggested.toml"],
        quiet,
    )


def _step(arguments: list[str | Path], quiet: bool) -> None:
    """One command, shown as it would be typed, then what it prints."""
    from gapscan.cli.main import group

    words = [str(word) for word in arguments]
    if not quiet:
        click.echo("\n$ gapscan " + " ".join(words))
    try:
        with contextlib.ExitStack() as stack:
            if quiet:
                nowhere = stack.enter_context(open(os.devnull, "w", encoding="utf-8"))
                stack.enter_context(contextlib.redirect_stdout(nowhere))
            group.main(words, prog_name="gapscan", standalone_mode=False)
    except click.ClickException as err:
        raise InputError(f"{words[0]}: {err.format_message()}") from err


def _clear(folder: Path) -> None:
    """Take away what an earlier telling left."""
    for name in STORY_FILES:
        place = folder / name
        try:
            if place.is_dir():
                shutil.rmtree(place)
            else:
                place.unlink(missing_ok=True)
        except OSError as err:
            raise InputError(f"{place}: cannot be taken away ({err.strerror or err}); give another folder") from err


def _write_round(folder: Path, inspection: Inspection) -> None:
    import numpy as np

    from gapscan.cli.demo import EXAMPLE_SEED
    from gapscan.photo.layout import frame_layout
    from gapscan.simulate.demo import demo_scenario
    from gapscan.simulate.scene_files import write_scene
    from gapscan.simulate.story import next_drawing, second_round

    scenario = demo_scenario(np.random.default_rng(EXAMPLE_SEED))
    outlines = {d.id: d.new_outline for d in inspection.plan.decisions if d.new_outline is not None}
    card = frame_layout(*scenario.opening_mm).card
    fit, photo = second_round(scenario, outlines, card, (0.0, 0.0), np.random.default_rng(_SEED))
    following = next_drawing()
    try:
        write_scene(folder / "round-2", fit=fit, photos=(photo,))
        (folder / "next").mkdir()
        (folder / "next" / "design.svg").write_text(following.svg, encoding="utf-8", newline="\n")
        (folder / "next" / "job.toml").write_text(following.job_toml, encoding="utf-8", newline="\n")
    except OSError as err:
        raise InputError(f"{folder}: cannot write the story ({err.strerror or err}); give another folder") from err
