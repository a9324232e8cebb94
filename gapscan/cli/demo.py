"""``gapscan demo``: a complete example of our own, and the main job on it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gapscan.cli.story import STORY_FILES
from gapscan.errors import InputError

if TYPE_CHECKING:
    from gapscan.report.types import Inspection

# What an example consists of; a folder with all of them is an earlier example and may be written over.
_FILES = ("design.svg", "frame.svg", "job.toml", "truth.json")
_OTHERS = ("photo.jpg", "result", *STORY_FILES)
EXAMPLE_SEED = 20


@click.command("demo")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--force", is_flag=True, help="Write into DIR even when it holds other files.")
@click.option(
    "--story", is_flag=True, help="Go on: sheets, the recut, the second look, the notebook, the next drawing."
)
@click.option("-q", "--quiet", is_flag=True, help="Print neither progress nor the list.")
def command(*, folder: Path, force: bool, story: bool, quiet: bool) -> None:
    """Write a complete example into DIR and inspect it.

    A drawing, a scale frame, a job file, a simulated photo of a dry fit with known faults, and the truth;
    results go into DIR/result.
    """
    from gapscan.cli.console import progress
    from gapscan.cli.inspect import inspect_and_report

    check_folder(folder, force=force)
    with progress(quiet=quiet) as say:
        say("simulating the photo")
        write_example(folder)
    inspection = inspect_and_report(
        design=folder / "design.svg",
        photos=(folder / "photo.jpg",),
        frame=folder / "frame.svg",
        job=folder / "job.toml",
        out=folder / "result",
        quiet=quiet,
    )
    if not quiet:
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        click.echo(compare(inspection, truth))
    if story:
        from gapscan.cli.story import tell_story

        with progress(quiet=quiet) as say:
            tell_story(folder, inspection, quiet=quiet, say=say)


def check_folder(folder: Path, *, force: bool) -> None:
    """Refuse a folder that holds anything but an earlier example. Raises InputError."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file, not a folder; give another name")
    if force or not folder.is_dir():
        return
    held = {path.name for path in folder.iterdir()}
    earlier = held >= set(_FILES) and held <= {*_FILES, *_OTHERS}
    if held and not earlier:
        raise InputError(f"{folder}: is not empty; give a new folder, or --force to write into this one")


def write_example(folder: Path) -> None:
    """Write design.svg, frame.svg, job.toml, photo.jpg and truth.json. Raises InputError when it cannot."""
    import numpy as np

    from gapscan.photo.frame import frame_svg
    from gapscan.photo.layout import frame_layout
    from gapscan.simulate.demo import demo_photos, demo_scenario
    from gapscan.simulate.scene_files import write_scene

    rng = np.random.default_rng(EXAMPLE_SEED)
    scenario = demo_scenario(rng)
    # A layout has its origin in the middle of the opening.
    photos = demo_photos(scenario, frame_layout(*scenario.opening_mm).card, (0.0, 0.0), rng)
    texts = {
        "design.svg": scenario.drawing.svg,
        "frame.svg": frame_svg(*scenario.opening_mm),
        "job.toml": scenario.job_toml,
    }
    try:
        write_scene(folder, fit=scenario.fit, photos=photos)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as err:
        reason = err.strerror or err
        raise InputError(f"{folder}: cannot write the example ({reason}); give another folder") from err


def compare(inspection: Inspection, truth: dict[str, Any]) -> str:
    """One line: which of the faults put in were found, how their figures compare, and what is extra."""
    faults: dict[str, float] = truth["faults"]["undersize_mm"]
    states = {state.id: state for state in inspection.fit.pieces}
    true_mm = {piece["id"]: piece["undersize_mm"] for piece in truth["pieces"]}
    recuts = {d.id for d in inspection.plan.decisions if d.verdict == "recut"}
    parts = []
    for name in sorted(faults):
        if name in recuts:
            state = states[name]
            parts.append(
                f"{name} found {state.undersize_mm:.3f} ± {state.u_undersize_mm:.3f} mm too small "
                f"(truth {true_mm[name]:.3f})"
            )
        else:
            parts.append(f"{name} missed (truth {true_mm[name]:.3f} mm too small)")
    extra = sorted(recuts - set(faults))
    parts.append(f"also to recut: {', '.join(extra)}" if extra else "no other piece to recut")
    return f"Against the truth: {'; '.join(parts)}."
